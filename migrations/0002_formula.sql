-- The book: formulas, their revisions, which never change, and the lines of each.

CREATE TABLE formula (
    id              INTEGER PRIMARY KEY,
    name            TEXT NOT NULL CHECK (name <> ''),
    name_key        TEXT NOT NULL,
    code            TEXT NOT NULL,
    code_key        TEXT NOT NULL,
    alternate       TEXT NOT NULL,
    years           TEXT NOT NULL,
    tags            TEXT NOT NULL CHECK (json_valid(tags)), -- array of text
    words           TEXT NOT NULL,                          -- what the search index reads
    system_id       INTEGER NOT NULL REFERENCES paint_system (id),
    coat            TEXT NOT NULL,
    finish          TEXT NOT NULL,
    swatch          TEXT NOT NULL,
    target_l        REAL, -- D65, 10 degrees
    target_a        REAL,
    target_b        REAL,
    notes           TEXT NOT NULL,
    parent_formula  INTEGER REFERENCES formula (id) CHECK (parent_formula <> id),
    parent_revision INTEGER REFERENCES revision (id),
    parent_batch    TEXT REFERENCES batch (id),
    reason          TEXT NOT NULL,
    retired         INTEGER NOT NULL DEFAULT 0 CHECK (retired IN (0, 1)),
    created_at      INTEGER NOT NULL,
    updated_at      INTEGER NOT NULL,
    poured_at       INTEGER, -- of its last batch
    CHECK ((target_l IS NULL) = (target_a IS NULL) AND (target_l IS NULL) = (target_b IS NULL)),
    CHECK (parent_formula IS NULL OR reason <> ''),
    CHECK (parent_formula IS NOT NULL OR (parent_revision IS NULL AND parent_batch IS NULL))
);

CREATE INDEX formula_by_name ON formula (name_key, id, retired);
CREATE INDEX formula_by_code ON formula (code_key, id, retired);
CREATE INDEX formula_by_parent ON formula (parent_formula) WHERE parent_formula IS NOT NULL;
CREATE INDEX formula_by_poured ON formula (poured_at DESC, id DESC, retired);

CREATE TRIGGER formula_origin_stays BEFORE UPDATE OF id, system_id, parent_formula, parent_revision, parent_batch, created_at ON formula
WHEN NEW.id <> OLD.id OR NEW.system_id <> OLD.system_id OR NEW.created_at <> OLD.created_at
    OR NEW.parent_formula IS NOT OLD.parent_formula
    OR NEW.parent_revision IS NOT OLD.parent_revision
    OR NEW.parent_batch IS NOT OLD.parent_batch
BEGIN
    SELECT RAISE(ABORT, 'where a formula comes from never changes');
END;

CREATE TRIGGER formula_stays BEFORE DELETE ON formula
BEGIN
    SELECT RAISE(ABORT, 'a formula is retired, never deleted');
END;

CREATE TABLE revision (
    id          INTEGER PRIMARY KEY,
    formula_id  INTEGER NOT NULL REFERENCES formula (id),
    number      INTEGER NOT NULL CHECK (number >= 1),
    total       INTEGER NOT NULL CHECK (total > 0),
    line_count  INTEGER NOT NULL CHECK (line_count > 0),
    reduction   TEXT CHECK (json_valid(reduction)),
    pot_life    INTEGER NOT NULL CHECK (pot_life >= 0), -- milliseconds, 0: none
    fixed_order INTEGER NOT NULL CHECK (fixed_order IN (0, 1)),
    note        TEXT NOT NULL,
    person      TEXT NOT NULL,
    at          INTEGER NOT NULL,
    UNIQUE (formula_id, number)
);

CREATE TRIGGER revision_stays BEFORE UPDATE ON revision
BEGIN
    SELECT RAISE(ABORT, 'a revision never changes');
END;

CREATE TRIGGER revision_is_kept BEFORE DELETE ON revision
BEGIN
    SELECT RAISE(ABORT, 'a revision is never deleted');
END;

CREATE TABLE line (
    revision_id INTEGER NOT NULL REFERENCES revision (id),
    position    INTEGER NOT NULL CHECK (position >= 1),
    toner_id    INTEGER NOT NULL REFERENCES toner (id),
    mass        INTEGER NOT NULL CHECK (mass > 0),
    PRIMARY KEY (revision_id, position),
    UNIQUE (revision_id, toner_id)
) WITHOUT ROWID;

CREATE INDEX line_by_toner ON line (toner_id);

CREATE TRIGGER line_of_one_system BEFORE INSERT ON line
WHEN (SELECT system_id FROM toner WHERE id = NEW.toner_id)
    IS NOT (SELECT formula.system_id FROM revision JOIN formula ON formula.id = revision.formula_id WHERE revision.id = NEW.revision_id)
BEGIN
    SELECT RAISE(ABORT, 'a line is of another paint system than its formula');
END;

-- A line more would change the revision as much as a line changed.
CREATE TRIGGER line_is_last BEFORE INSERT ON line
WHEN NEW.position > (SELECT line_count FROM revision WHERE id = NEW.revision_id)
BEGIN
    SELECT RAISE(ABORT, 'a revision never changes');
END;

CREATE TRIGGER line_stays BEFORE UPDATE ON line
BEGIN
    SELECT RAISE(ABORT, 'a revision never changes');
END;

CREATE TRIGGER line_is_kept BEFORE DELETE ON line
BEGIN
    SELECT RAISE(ABORT, 'a revision never changes');
END;
