-- The ledger: what the nodes measured, each joule once.
-- Times are Unix milliseconds, UTC. Totals are integers; a row holds differences of a node's cumulative totals.

-- Which database this is. `start` rises at every start of the service; `seen_ms` is the latest time of day at
-- which something was written: a host clock that is behind it is wrong.
CREATE TABLE ledger (
    only_one INTEGER PRIMARY KEY CHECK (only_one = 1),
    ledger   TEXT    NOT NULL,
    start    INTEGER NOT NULL,
    seen_ms  INTEGER NOT NULL
) STRICT;

-- The time zone says where the roll-ups of a site cut its days.
CREATE TABLE site (
    site_id   INTEGER PRIMARY KEY,
    site      TEXT NOT NULL UNIQUE,
    time_zone TEXT NOT NULL
) STRICT;

-- One store of one node, for ever: what came under it is recognised whatever the node is called.
-- `head_seq` is the highest number accounted for (stored, gap or refused). The `booked_*` columns speak of the
-- last record that was booked: the next one of the same boot is booked as a difference to them. Never pruned.
CREATE TABLE journal (
    journal_id    INTEGER PRIMARY KEY,
    journal       TEXT    NOT NULL UNIQUE,
    chip          TEXT,              -- the chip that first announced it
    disputed_chip TEXT,              -- another chip that announced the same store: nothing is booked meanwhile
    birth         BLOB,              -- its latest birth message
    birth_ms      INTEGER,
    closed_ms     INTEGER,           -- when the chip came back with another store
    head_seq      INTEGER NOT NULL DEFAULT 0,
    booked_seq    INTEGER NOT NULL DEFAULT 0,
    booked_up_ms  INTEGER NOT NULL DEFAULT 0,
    booked_totals TEXT    NOT NULL DEFAULT '{}',
    conflicts     INTEGER NOT NULL DEFAULT 0  -- numbers that came twice with different contents
) STRICT;

-- A node of a site as its topic names it, and the store it has now.
CREATE TABLE source (
    source_id   INTEGER PRIMARY KEY,
    site_id     INTEGER NOT NULL REFERENCES site (site_id),
    node        TEXT    NOT NULL,
    journal_id  INTEGER REFERENCES journal (journal_id),
    online      INTEGER,             -- 1, 0, or NULL: not heard since the service started
    status_ms   INTEGER,
    last_end_ms INTEGER,             -- latest end of a dated record
    UNIQUE (site_id, node)
) STRICT;

-- When a boot began, by the first of its records that had a date or by the arrival of a live message.
CREATE TABLE boot (
    journal_id INTEGER NOT NULL REFERENCES journal (journal_id),
    boot       INTEGER NOT NULL,
    anchor_ms  INTEGER NOT NULL,
    told_by    TEXT    NOT NULL CHECK (told_by IN ('record', 'live')),
    PRIMARY KEY (journal_id, boot)
) STRICT, WITHOUT ROWID;

-- Which channels and totals a packed body holds, in order.
CREATE TABLE layout (
    layout_id INTEGER PRIMARY KEY,
    channels  TEXT NOT NULL,
    totals    TEXT NOT NULL,
    UNIQUE (channels, totals)
) STRICT;

-- One booked record. `end_ms` is NULL while its boot has no date.
CREATE TABLE record (
    journal_id INTEGER NOT NULL REFERENCES journal (journal_id),
    seq        INTEGER NOT NULL,
    source_id  INTEGER NOT NULL REFERENCES source (source_id),
    layout_id  INTEGER NOT NULL REFERENCES layout (layout_id),
    end_ms     INTEGER,
    body       BLOB    NOT NULL,
    PRIMARY KEY (journal_id, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX record_by_time ON record (source_id, end_ms) WHERE end_ms IS NOT NULL;
CREATE INDEX record_undated ON record (journal_id, seq) WHERE end_ms IS NULL;

-- Numbers that will not be stored: the node no longer holds them (gap), or the host could not take them (refused).
CREATE TABLE hole (
    journal_id INTEGER NOT NULL REFERENCES journal (journal_id),
    first      INTEGER NOT NULL,
    last       INTEGER NOT NULL,
    source_id  INTEGER NOT NULL REFERENCES source (source_id),
    kind       TEXT    NOT NULL CHECK (kind IN ('gap', 'refused')),
    reason     TEXT    NOT NULL,
    made_ms    INTEGER NOT NULL,
    PRIMARY KEY (journal_id, first),
    CHECK (first <= last)
) STRICT, WITHOUT ROWID;

-- Roll-ups: 10 minutes counted from local midnight, and local days. Always the exact sum of the records.
CREATE TABLE bucket (
    source_id INTEGER NOT NULL REFERENCES source (source_id),
    start_ms  INTEGER NOT NULL,
    end_ms    INTEGER NOT NULL,
    layout_id INTEGER NOT NULL REFERENCES layout (layout_id),
    body      BLOB    NOT NULL,
    PRIMARY KEY (source_id, start_ms)
) STRICT, WITHOUT ROWID;

CREATE TABLE day (
    source_id INTEGER NOT NULL REFERENCES source (source_id),
    day       TEXT    NOT NULL,
    start_ms  INTEGER NOT NULL,
    end_ms    INTEGER NOT NULL,
    layout_id INTEGER NOT NULL REFERENCES layout (layout_id),
    body      BLOB    NOT NULL,
    PRIMARY KEY (source_id, day)
) STRICT, WITHOUT ROWID;

-- Totals of the records that have no date yet.
CREATE TABLE undated (
    source_id INTEGER NOT NULL REFERENCES source (source_id),
    total     TEXT    NOT NULL,
    amount    INTEGER NOT NULL,
    PRIMARY KEY (source_id, total)
) STRICT, WITHOUT ROWID;

-- What could not be used, as it came. Bounded by bytes: the oldest go, the tally stays.
CREATE TABLE dead_letter (
    letter_id INTEGER PRIMARY KEY AUTOINCREMENT,
    at_ms     INTEGER NOT NULL,
    topic     TEXT    NOT NULL,
    reason    TEXT    NOT NULL,
    payload   BLOB    NOT NULL,      -- its beginning, where it was longer than a message may be
    bytes     INTEGER NOT NULL       -- its length as it came
) STRICT;

-- Counters that only rise.
CREATE TABLE tally (
    name   TEXT    PRIMARY KEY,
    amount INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
