-- The last trouble with the database as a whole, for whoever asks why nothing arrives. There is one at most; it stays
-- when it is over. What is refused point by point is in `refused`.
CREATE TABLE trouble (
    only_one INTEGER PRIMARY KEY CHECK (only_one = 1),
    kind     TEXT    NOT NULL,       -- as in forward/send.py
    says     TEXT    NOT NULL,       -- the newest error, cut to a few hundred characters
    since_ms INTEGER NOT NULL,       -- when it began
    last_ms  INTEGER NOT NULL,       -- the newest attempt
    attempts INTEGER NOT NULL,
    over_ms  INTEGER                 -- when points were taken again; NULL while it lasts
) STRICT;
