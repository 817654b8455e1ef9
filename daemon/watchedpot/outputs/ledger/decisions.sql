-- Added in schema version 2, projected from events like the others.

CREATE TABLE charges (            -- each time a charge was loaded, found, refilled or kept
    seq INTEGER PRIMARY KEY,      -- of the event
    run INTEGER NOT NULL,
    utc_ns INTEGER NOT NULL,
    mono_ns INTEGER NOT NULL,
    cell TEXT NOT NULL,
    charge_id, how,               -- details
    details TEXT NOT NULL
);
CREATE INDEX charges_by_cell ON charges (cell, utc_ns);

CREATE TABLE dispositions (       -- what was decided about parts, one row a range
    seq INTEGER NOT NULL,         -- of the event
    utc_ns INTEGER NOT NULL,
    mono_ns INTEGER NOT NULL,
    cell TEXT NOT NULL,
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    word, who, why                -- details
);
CREATE INDEX dispositions_by_part ON dispositions (cell, first, last);
