-- Records are found by time through one row for each hour of a node instead of an index entry for each record, which
-- was a fifth of the file.

-- The dated records of a node that ended in one hour since 1970 lie between these numbers of a store.
CREATE TABLE stretch (
    source_id  INTEGER NOT NULL REFERENCES source (source_id),
    hour       INTEGER NOT NULL,     -- end_ms / 3600000
    journal_id INTEGER NOT NULL REFERENCES journal (journal_id),
    first      INTEGER NOT NULL,
    last       INTEGER NOT NULL,
    PRIMARY KEY (source_id, hour, journal_id),
    CHECK (first <= last)
) STRICT, WITHOUT ROWID;

INSERT INTO stretch (source_id, hour, journal_id, first, last)
SELECT source_id, end_ms / 3600000, journal_id, min(seq), max(seq)
FROM record WHERE end_ms IS NOT NULL GROUP BY source_id, end_ms / 3600000, journal_id;

DROP INDEX record_by_time;

-- The dated records by node and hour; always ask by `source_id` and `hour`.
CREATE VIEW dated AS
SELECT stretch.source_id, stretch.hour, record.journal_id, record.seq, record.layout_id, record.end_ms, record.body
FROM stretch CROSS JOIN record ON record.journal_id = stretch.journal_id
    AND record.seq BETWEEN stretch.first AND stretch.last
WHERE record.source_id = stretch.source_id AND record.end_ms / 3600000 = stretch.hour;

CREATE TRIGGER record_comes AFTER INSERT ON record WHEN NEW.end_ms IS NOT NULL BEGIN
    INSERT INTO stretch (source_id, hour, journal_id, first, last)
    VALUES (NEW.source_id, NEW.end_ms / 3600000, NEW.journal_id, NEW.seq, NEW.seq)
    ON CONFLICT DO UPDATE SET first = min(first, excluded.first), last = max(last, excluded.last);
END;

CREATE TRIGGER record_dated AFTER UPDATE OF end_ms ON record WHEN NEW.end_ms IS NOT NULL BEGIN
    INSERT INTO stretch (source_id, hour, journal_id, first, last)
    VALUES (NEW.source_id, NEW.end_ms / 3600000, NEW.journal_id, NEW.seq, NEW.seq)
    ON CONFLICT DO UPDATE SET first = min(first, excluded.first), last = max(last, excluded.last);
END;
