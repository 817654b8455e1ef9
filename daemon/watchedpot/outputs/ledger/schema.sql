-- The ledger, schema version 1. Times are UTC and monotonic nanoseconds; the monotonic ones
-- compare within one run only. Hashes are 32 bytes, their canonical form is in chain.py.

CREATE TABLE meta (
    key TEXT PRIMARY KEY,
    value NOT NULL
) WITHOUT ROWID;

CREATE TABLE configurations (
    hash TEXT PRIMARY KEY,        -- SHA-256 of the text, in hex
    text TEXT NOT NULL,
    utc_ns INTEGER NOT NULL,      -- first used
    mono_ns INTEGER NOT NULL
);

CREATE TABLE runs (               -- each start of the daemon
    id INTEGER PRIMARY KEY,
    utc_ns INTEGER NOT NULL,
    mono_ns INTEGER NOT NULL,
    version TEXT NOT NULL,
    configuration TEXT NOT NULL REFERENCES configurations (hash)
);

CREATE TABLE events (             -- append-only, one chain
    seq INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES runs (id),
    utc_ns INTEGER NOT NULL,
    mono_ns INTEGER NOT NULL,
    cell TEXT NOT NULL,
    zone TEXT NOT NULL,
    kind TEXT NOT NULL,
    details TEXT NOT NULL,        -- JSON object, names in the order of the event
    prev_hash BLOB NOT NULL,
    hash BLOB NOT NULL
);
CREATE INDEX events_by_time ON events (utc_ns);

CREATE TABLE layouts (            -- a source and its channels, and the state of its tail
    id INTEGER PRIMARY KEY,
    source TEXT NOT NULL,
    channels TEXT NOT NULL,       -- JSON array
    tail_rows INTEGER NOT NULL,
    tail_hash BLOB NOT NULL,
    UNIQUE (source, channels)
);

CREATE TABLE blocks (             -- readings as compressed columns, one chain over all sources
    seq INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES runs (id),
    layout INTEGER NOT NULL REFERENCES layouts (id),
    rows INTEGER NOT NULL,
    first_mono_ns INTEGER NOT NULL,
    last_mono_ns INTEGER NOT NULL,
    first_seen_ns INTEGER NOT NULL,
    last_seen_ns INTEGER NOT NULL,
    payload BLOB NOT NULL,
    prev_hash BLOB NOT NULL,
    hash BLOB NOT NULL
);
CREATE INDEX blocks_by_time
    ON blocks (run, first_mono_ns, layout, first_seen_ns, last_seen_ns);

CREATE TABLE tail (               -- newest readings, plain columns, one chain for each layout
    seq INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES runs (id),
    layout INTEGER NOT NULL REFERENCES layouts (id),
    rows INTEGER NOT NULL,
    first_mono_ns INTEGER NOT NULL,
    last_mono_ns INTEGER NOT NULL,
    first_seen_ns INTEGER NOT NULL,
    last_seen_ns INTEGER NOT NULL,
    payload BLOB NOT NULL,
    prev_hash BLOB NOT NULL,
    hash BLOB NOT NULL
);
CREATE INDEX tail_by_layout ON tail (layout);

CREATE TABLE states (             -- newest state of the core, one for each cell
    cell TEXT PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES runs (id),
    utc_ns INTEGER NOT NULL,      -- newest row or event that the state has seen
    mono_ns INTEGER NOT NULL,
    payload BLOB NOT NULL,        -- JSON, compressed by zlib
    hash BLOB NOT NULL
);
