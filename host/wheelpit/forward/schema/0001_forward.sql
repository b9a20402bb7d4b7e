-- How far the ledger was forwarded: written only after the database has taken the points.

CREATE TABLE about (
    only_one INTEGER PRIMARY KEY CHECK (only_one = 1),
    ledger   TEXT NOT NULL,          -- the ledger that is forwarded
    file     TEXT NOT NULL           -- its file on the disk: a restored ledger is another one
) STRICT;

-- `seq` is the last record of a node's store that was sent, `body_check` tells whether it still is the same one.
CREATE TABLE cursor (
    journal    TEXT PRIMARY KEY,
    seq        INTEGER NOT NULL,
    body_check INTEGER NOT NULL      -- 0: not known
) STRICT, WITHOUT ROWID;

-- Records that were passed over because they had no date.
CREATE TABLE owed (
    journal TEXT NOT NULL,
    first   INTEGER NOT NULL,
    last    INTEGER NOT NULL,
    PRIMARY KEY (journal, first)
) STRICT, WITHOUT ROWID;

-- Roll-ups that are still to be sent from the beginning, by their start.
CREATE TABLE walk (
    site     TEXT NOT NULL,
    node     TEXT NOT NULL,
    measured TEXT NOT NULL,
    next_ms  INTEGER NOT NULL,
    PRIMARY KEY (site, node, measured)
) STRICT, WITHOUT ROWID;

-- Nodes whose points are to be deleted before they are sent anew.
CREATE TABLE clearing (
    site TEXT NOT NULL,
    node TEXT NOT NULL,
    PRIMARY KEY (site, node)
) STRICT, WITHOUT ROWID;

-- Small things as they were last sent: nodes known, time zones, undated totals, gaps.
CREATE TABLE fact (
    name TEXT PRIMARY KEY,
    told TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Points that the database refused one by one, bounded: the oldest go, the tally stays.
CREATE TABLE refused (
    refused_id INTEGER PRIMARY KEY AUTOINCREMENT,
    at_ms      INTEGER NOT NULL,
    reason     TEXT NOT NULL,
    point      TEXT NOT NULL
) STRICT;

CREATE TABLE tally (
    name   TEXT PRIMARY KEY,
    amount INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
