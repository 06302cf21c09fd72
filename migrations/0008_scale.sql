-- Checks of the scale with a known weight. A check is only ever added, like an event.

CREATE TABLE scale_check (
    id       INTEGER PRIMARY KEY,
    at       INTEGER NOT NULL,
    person   TEXT NOT NULL,
    scale    TEXT NOT NULL CHECK (scale <> ''), -- by its name on the screens
    known    INTEGER NOT NULL CHECK (known > 0), -- what the weight weighs
    empty    INTEGER NOT NULL, -- what the scale read without it
    loaded   INTEGER NOT NULL, -- and with it
    division INTEGER NOT NULL CHECK (division > 0), -- of the display there
    passed   INTEGER NOT NULL CHECK (passed IN (0, 1))
);

CREATE INDEX scale_check_by_time ON scale_check (at);

CREATE TRIGGER scale_check_stays BEFORE UPDATE ON scale_check
BEGIN
    SELECT RAISE(ABORT, 'a check of the scale never changes');
END;

CREATE TRIGGER scale_check_is_kept BEFORE DELETE ON scale_check
BEGIN
    SELECT RAISE(ABORT, 'a check of the scale is never deleted');
END;
