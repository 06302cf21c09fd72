-- Paint systems and the toners of the shelf.

CREATE TABLE paint_system (
    id       INTEGER PRIMARY KEY,
    name     TEXT NOT NULL CHECK (name <> ''),
    name_key TEXT NOT NULL UNIQUE
);

CREATE TABLE toner (
    id              INTEGER PRIMARY KEY,
    system_id       INTEGER NOT NULL REFERENCES paint_system (id),
    name            TEXT NOT NULL CHECK (name <> ''),
    name_key        TEXT NOT NULL,
    code            TEXT NOT NULL,
    code_key        TEXT NOT NULL,
    words           TEXT NOT NULL,
    kind            TEXT NOT NULL,
    strength        TEXT NOT NULL,
    density         REAL NOT NULL CHECK (density >= 0),
    per_litre       INTEGER NOT NULL CHECK (per_litre >= 0),
    swatch          TEXT NOT NULL,
    hazard          TEXT NOT NULL,
    sheet_url       TEXT NOT NULL,
    wet_first       INTEGER NOT NULL CHECK (wet_first IN (0, 1)),
    stocked         INTEGER NOT NULL CHECK (stocked IN (0, 1)),
    replaced_by     INTEGER REFERENCES toner (id) CHECK (replaced_by <> id),
    replaced_factor REAL CHECK (replaced_factor > 0),
    updated_at      INTEGER NOT NULL,
    UNIQUE (system_id, name_key),
    CHECK ((replaced_by IS NULL) = (replaced_factor IS NULL))
);

CREATE INDEX toner_replaced ON toner (replaced_by) WHERE replaced_by IS NOT NULL;

-- Systems never meet in one cup, so a toner is only ever replaced by one of its own system.
CREATE TRIGGER toner_replacement_added BEFORE INSERT ON toner
WHEN NEW.replaced_by IS NOT NULL
    AND NEW.system_id IS NOT (SELECT system_id FROM toner WHERE id = NEW.replaced_by)
BEGIN
    SELECT RAISE(ABORT, 'a toner is replaced by one of another paint system');
END;

CREATE TRIGGER toner_replacement_changed BEFORE UPDATE OF replaced_by ON toner
WHEN NEW.replaced_by IS NOT NULL
    AND NEW.system_id IS NOT (SELECT system_id FROM toner WHERE id = NEW.replaced_by)
BEGIN
    SELECT RAISE(ABORT, 'a toner is replaced by one of another paint system');
END;

CREATE TRIGGER toner_system_stays BEFORE UPDATE OF system_id ON toner
WHEN NEW.system_id <> OLD.system_id
BEGIN
    SELECT RAISE(ABORT, 'a toner stays in its paint system');
END;
