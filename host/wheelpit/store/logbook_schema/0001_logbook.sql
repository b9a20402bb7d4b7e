-- The logbook: what people did at the plant. Times are Unix time in milliseconds, UTC.
-- Written by people's commands and the board, never by the service. An entry is struck out, never deleted.

CREATE TABLE entry (
    entry INTEGER PRIMARY KEY AUTOINCREMENT,
    site TEXT NOT NULL,
    kind TEXT NOT NULL,
    from_ms INTEGER NOT NULL,           -- when it was done, or began
    to_ms INTEGER,                      -- when it ended; null for what has no length, and for what is not over yet
    text TEXT NOT NULL,                 -- in the writer's own words, may be empty
    gravities TEXT,                     -- of a hydrometer: specific gravity of each cell as a JSON list, as read
    degc REAL,                          -- of a hydrometer: temperature of the acid
    litres REAL,                        -- of topping up: water added
    written_ms INTEGER NOT NULL,
    struck_ms INTEGER,                  -- null unless it was struck out
    struck_why TEXT,
    CHECK (to_ms IS NULL OR from_ms <= to_ms),
    CHECK ((struck_ms IS NULL) = (struck_why IS NULL))
) STRICT;

CREATE INDEX entry_by_time ON entry (site, from_ms);

-- Written down, written down: only the end of what was still going on, and the striking out, come later.
CREATE TRIGGER entry_stays BEFORE DELETE ON entry
BEGIN
    SELECT RAISE(ABORT, 'an entry of the logbook is struck out, never deleted');
END;
