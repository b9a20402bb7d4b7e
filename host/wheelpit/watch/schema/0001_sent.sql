-- What was sent to whom: kept by the messenger, apart from the ledger, so that each file has one writer.
-- Times are Unix time in milliseconds, UTC.

-- The newest outbox message that was copied from the ledger.
CREATE TABLE progress (
    only_one INTEGER PRIMARY KEY CHECK (only_one = 1),
    copied INTEGER NOT NULL
) STRICT;

-- A target is named by a digest of its address without passwords and options; it is owed what was made since.
CREATE TABLE target (
    target TEXT PRIMARY KEY,
    since_ms INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE message (
    key TEXT PRIMARY KEY,
    number INTEGER NOT NULL,            -- in the order in which they were made
    step TEXT NOT NULL,
    made_ms INTEGER NOT NULL,
    priority TEXT NOT NULL,
    title TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- `trying` is set before a message is handed over and unset with the outcome: found set at a start, the program
-- was killed between, and nobody knows whether the message arrived.
CREATE TABLE delivery (
    key TEXT NOT NULL REFERENCES message (key),
    target TEXT NOT NULL REFERENCES target (target),
    attempts INTEGER NOT NULL DEFAULT 0,
    trying INTEGER NOT NULL DEFAULT 0,
    sent_ms INTEGER,
    PRIMARY KEY (key, target)
) STRICT, WITHOUT ROWID;
CREATE INDEX delivery_owed ON delivery (target) WHERE sent_ms IS NULL;
