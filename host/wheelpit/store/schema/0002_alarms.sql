-- Alarms: their episodes, the nodes the watch has heard, and the messages owed to people.
-- Times are Unix time in milliseconds, UTC. The service is the only writer.

-- One row from the raising of a condition to its end, and after. The alarm's state follows from the row:
-- cleared_ms and acknowledged_ms null or not give the four states of the standard life cycle.
CREATE TABLE alarm_episode (
    episode INTEGER PRIMARY KEY AUTOINCREMENT,
    site TEXT NOT NULL,
    node TEXT NOT NULL,
    condition TEXT NOT NULL,
    priority TEXT NOT NULL CHECK (priority IN ('critical', 'high', 'medium', 'low')),
    onset_ms INTEGER NOT NULL,          -- when it began: the last magnet that passed, the first value beyond the limit
    raised_ms INTEGER NOT NULL,         -- when the delay was over and it became an alarm
    cleared_ms INTEGER,                 -- null while it stands
    acknowledged_ms INTEGER,            -- null until a person has said "seen"
    value REAL,                         -- at the raising, and the limit it passed, both in `unit`
    limit_value REAL,
    unit TEXT NOT NULL,
    title TEXT NOT NULL,                -- the words of the day on which it was raised
    text TEXT NOT NULL,
    remedy TEXT NOT NULL,
    reason TEXT NOT NULL,
    CHECK (onset_ms <= raised_ms),
    CHECK (cleared_ms IS NULL OR raised_ms <= cleared_ms)
) STRICT;

-- A condition of a node has one open episode at most, whatever the program believes.
CREATE UNIQUE INDEX alarm_open ON alarm_episode (site, node, condition) WHERE cleared_ms IS NULL;
CREATE INDEX alarm_by_time ON alarm_episode (site, raised_ms);

-- Nodes from which something was heard: only of these can silence be an alarm, also after a restart. With each,
-- when its wheel was last booked as running, and as parked: by its own clock (boot, milliseconds since) and by the
-- host's. A wheel found standing after a restart stopped suddenly if it had run until then.
CREATE TABLE alarm_node (
    site TEXT NOT NULL,
    node TEXT NOT NULL,
    heard_ms INTEGER NOT NULL,          -- first heard
    ran_boot INTEGER, ran_up_ms INTEGER, ran_ms INTEGER,
    parked_boot INTEGER, parked_up_ms INTEGER, parked_ms INTEGER,
    PRIMARY KEY (site, node)
) STRICT, WITHOUT ROWID;

-- What people are to be told: written in the transaction that raises or clears, sent by another process, which
-- keeps its own account of what went out. `key` names the message for ever, also over a restored copy.
CREATE TABLE outbox (
    message INTEGER PRIMARY KEY AUTOINCREMENT,
    episode INTEGER NOT NULL REFERENCES alarm_episode (episode),
    step TEXT NOT NULL CHECK (step IN ('raised', 'cleared')),
    key TEXT NOT NULL UNIQUE,
    made_ms INTEGER NOT NULL,
    priority TEXT NOT NULL,
    title TEXT NOT NULL,
    body TEXT NOT NULL,
    UNIQUE (episode, step)
) STRICT;
