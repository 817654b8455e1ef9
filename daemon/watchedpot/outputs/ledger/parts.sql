-- Added in schema version 2: judged parts, what was decided about them, states to begin a replay at.

CREATE TABLE part_layouts (       -- how the details of parts lie in their rows
    id INTEGER PRIMARY KEY,
    items TEXT NOT NULL UNIQUE    -- JSON array, see values.py
);

CREATE TABLE parts (              -- append-only, one chain; one row a judgement
    seq INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES runs (id),
    utc_ns INTEGER NOT NULL,      -- of the row of readings that counted it
    mono_ns INTEGER NOT NULL,
    cell TEXT NOT NULL,
    epoch INTEGER NOT NULL,       -- of the counter
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    judgement INTEGER NOT NULL,   -- how often it was judged by then
    verdict TEXT NOT NULL,
    charge TEXT NOT NULL,
    begun_utc_ns INTEGER NOT NULL,
    layout INTEGER NOT NULL REFERENCES part_layouts (id),
    vals TEXT NOT NULL,           -- JSON array of what neither columns nor layout say
    hash BLOB NOT NULL
);
CREATE INDEX parts_by_number ON parts (cell, first, epoch);
CREATE INDEX parts_in_ranges ON parts (cell, last) WHERE last > first;
CREATE INDEX parts_judged_again ON parts (seq) WHERE judgement > 1;
CREATE INDEX suspect_parts ON parts (utc_ns, begun_utc_ns)
    WHERE verdict IN ('review', 'unknown', 'quarantine');

CREATE TABLE checkpoints (        -- states kept for a replay to begin at, a chain for each cell
    seq INTEGER PRIMARY KEY,
    cell TEXT NOT NULL,
    run INTEGER NOT NULL REFERENCES runs (id),
    utc_ns INTEGER NOT NULL,
    mono_ns INTEGER NOT NULL,
    payload BLOB NOT NULL,        -- JSON, compressed by zlib
    prev_hash BLOB NOT NULL,
    hash BLOB NOT NULL
);
CREATE INDEX checkpoints_by_cell ON checkpoints (cell);

CREATE TABLE trimmed (            -- blocks that lost their readings but stand between others
    seq INTEGER PRIMARY KEY,
    digest BLOB NOT NULL          -- SHA-256 of what they held
);
