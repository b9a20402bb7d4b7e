-- How a node was last heard, in a word of the watch: `calm`, or what was wrong or near a limit. Silence is urgent or not
-- by this, also after a restart.
ALTER TABLE alarm_node ADD COLUMN last_state TEXT;
