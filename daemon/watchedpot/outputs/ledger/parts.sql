-- Added in schema version 2: judged parts, what was decided about them, states to begin a replay at.

CREATE TABLE part_layouts (       -- names of the details of a part
    id INTEGER PRIMARY KEY,
    names TEXT NOT NULL UNIQUE    -- JSON array
);

CREATE TABLE parts (              -- append-only, one chain; one row a judgement
    seq INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES runs (id),
    utc_ns INTEGER NOT NULL,      -- of the row of readings that counted it
    mono_ns INTEGER NOT NULL,
    cell TEXT NOT NULL,
    epoch INTEGER NOT NULL,       -- from here to charge: repeated from the details
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    judgement INTEGER NOT NULL,   -- how often it was judged by then
    verdict TEXT NOT NULL,
    charge TEXT NOT NULL,
    begun_utc_ns INTEGER NOT NULL,
    layout INTEGER NOT NULL REFERENCES part_layouts (id),
    vals TEXT NOT NULL,           -- JSON array, in the order of the names
    hash BLOB NOT NULL
);
CREATE INDEX parts_by_number ON parts (cell, epoch, first);
CREATE INDEX parts_judged_again ON parts (seq) WHERE judgement > 1;
CREATE INDEX suspect_parts ON parts (utc_ns)
    WHERE verdict IN ('review', 'unknown', 'quarantine');

CREATE TABLE checkpoints (        -- states of the core kept on the way, for a replay to begin at
    cell TEXT NOT NULL,
    run INTEGER NOT NULL REFERENCES runs (id),
    utc_ns INTEGER NOT NULL,
    mono_ns INTEGER NOT NULL,
    payload BLOB NOT NULL,
    hash BLOB NOT NULL
);
CREATE INDEX checkpoints_by_time ON checkpoints (cell, utc_ns);

CREATE TABLE trimmed (            -- blocks that lost their readings but stand between others
    seq INTEGER PRIMARY KEY,
    digest BLOB NOT NULL          -- SHA-256 of what they held
);
