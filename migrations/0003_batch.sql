-- Batches and their events. An event is only ever appended; the columns of batch repeat what folding the
-- events gives, so that a list need not fold.

CREATE TABLE batch (
    number       INTEGER PRIMARY KEY, -- counts up, so that what is being poured lies together in every index
    id           TEXT NOT NULL UNIQUE CHECK (id <> ''), -- made by whoever planned it
    created_at   INTEGER NOT NULL,
    started_by   TEXT NOT NULL,
    title        TEXT NOT NULL,
    job          TEXT NOT NULL,
    words        TEXT NOT NULL, -- of title and job, to look for
    formula_id   INTEGER REFERENCES formula (id),
    revision_id  INTEGER REFERENCES revision (id),
    revision     INTEGER NOT NULL,
    system       TEXT NOT NULL,
    coat         TEXT NOT NULL,
    asked        TEXT NOT NULL,
    pot_life     INTEGER NOT NULL, -- milliseconds, 0: no clock
    decided      INTEGER NOT NULL, -- seq of the last event but held readings
    need         TEXT NOT NULL,
    pouring      TEXT NOT NULL,    -- name of the open step's toner
    total        INTEGER NOT NULL, -- colour when all is in
    colour       INTEGER NOT NULL, -- colour in the vessel
    contents     INTEGER NOT NULL,
    left_over    INTEGER NOT NULL, -- colour left in the mixing cup after a share was taken
    drawn        INTEGER NOT NULL,
    tipped       INTEGER NOT NULL,
    holder       TEXT NOT NULL,    -- name of who pours
    activated_at INTEGER,
    ended_at     INTEGER,
    outcome      TEXT NOT NULL CHECK (outcome IN ('', 'finished', 'abandoned')),
    kept         INTEGER NOT NULL,
    updated_at   INTEGER NOT NULL
);

CREATE INDEX batch_open ON batch (created_at) WHERE ended_at IS NULL;
CREATE INDEX batch_by_time ON batch (created_at);
CREATE INDEX batch_by_formula ON batch (formula_id, created_at);

CREATE TRIGGER batch_is_kept BEFORE DELETE ON batch
BEGIN
    SELECT RAISE(ABORT, 'a batch is never deleted');
END;

CREATE TABLE event (
    number  INTEGER PRIMARY KEY, -- in the order of keeping
    id      TEXT NOT NULL UNIQUE CHECK (id <> ''), -- made by whoever originated it
    batch   INTEGER NOT NULL REFERENCES batch (number),
    seq     INTEGER NOT NULL CHECK (seq >= 1),
    kind    TEXT NOT NULL,
    version INTEGER NOT NULL CHECK (version >= 1),
    step    INTEGER,
    attempt INTEGER,
    at      INTEGER NOT NULL,
    person  TEXT NOT NULL,
    device  TEXT NOT NULL,
    epoch   INTEGER NOT NULL,
    body    TEXT NOT NULL CHECK (json_valid(body)),
    command BLOB, -- SHA-256 of what was asked for; null where the event follows from another
    UNIQUE (batch, seq),
    CHECK (kind <> 'poured' OR (step IS NOT NULL AND attempt IS NOT NULL))
);

-- A pour is booked once, whoever saw it first.
CREATE UNIQUE INDEX event_once ON event (batch, step, attempt) WHERE kind = 'poured';

CREATE TRIGGER event_follows BEFORE INSERT ON event
WHEN NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM event WHERE batch = NEW.batch)
BEGIN
    SELECT RAISE(ABORT, 'events follow each other without a gap');
END;

CREATE TRIGGER event_stays BEFORE UPDATE ON event
BEGIN
    SELECT RAISE(ABORT, 'an event never changes');
END;

CREATE TRIGGER event_is_kept BEFORE DELETE ON event
BEGIN
    SELECT RAISE(ABORT, 'an event is never deleted');
END;
