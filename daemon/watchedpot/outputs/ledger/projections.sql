-- What can be computed again from the events, kept ready for questions.

CREATE TABLE alarm_transitions (
    seq INTEGER PRIMARY KEY,      -- of the event
    run INTEGER NOT NULL,
    utc_ns INTEGER NOT NULL,
    mono_ns INTEGER NOT NULL,
    cell TEXT NOT NULL,
    zone TEXT NOT NULL,
    alarm, state_before, state, stage, priority,  -- details, NULL where the event has none
    details TEXT NOT NULL
);
CREATE INDEX alarm_transitions_by_time ON alarm_transitions (utc_ns);

CREATE TABLE excursions (
    seq INTEGER PRIMARY KEY,      -- of the first event that told of it
    run INTEGER NOT NULL,
    cell TEXT NOT NULL,
    zone TEXT NOT NULL,
    edge,                         -- details, NULL where the event has none
    opened_utc_ns INTEGER,        -- NULL where the opening was not recorded
    opened_mono_ns INTEGER,
    ended_seq INTEGER,            -- NULL while it is open
    ended_run INTEGER,
    ended_utc_ns INTEGER,
    ended_mono_ns INTEGER,
    limit_c, onset_utc_ns, duration_s, peak_c, exposure_ks, dispensing_s, blind_s,
    parts_from, parts_to, ended_by,
    details TEXT NOT NULL         -- of the newest event that told of it
);
CREATE INDEX excursions_by_time ON excursions (opened_utc_ns);
CREATE INDEX open_excursions ON excursions (cell, zone) WHERE ended_seq IS NULL;
