-- Spray-out cards, every state in which each was saved, and their photographs.

CREATE TABLE photo (
    id    INTEGER PRIMARY KEY,
    mime  TEXT NOT NULL CHECK (mime IN ('image/jpeg', 'image/png', 'image/webp')),
    bytes BLOB NOT NULL CHECK (length(bytes) BETWEEN 1 AND 8388608),
    at    INTEGER NOT NULL
);

CREATE TABLE card (
    id          INTEGER PRIMARY KEY,
    family      INTEGER NOT NULL REFERENCES formula (id), -- the root of the formula's tree
    number      INTEGER NOT NULL CHECK (number >= 1),     -- counted in the family, written on the panel
    formula_id  INTEGER NOT NULL REFERENCES formula (id),
    revision_id INTEGER REFERENCES revision (id),
    batch       TEXT REFERENCES batch (id),
    batch_seq   INTEGER NOT NULL CHECK (batch_seq >= 0),
    sprayed_at  INTEGER NOT NULL,
    person      TEXT NOT NULL,
    coats       INTEGER NOT NULL CHECK (coats >= 0),
    steps       TEXT NOT NULL CHECK (json_valid(steps)),
    gun         TEXT NOT NULL,
    pressure    TEXT NOT NULL,
    distance    TEXT NOT NULL,
    reduction   TEXT NOT NULL,
    undercoat   TEXT NOT NULL,
    cleared     INTEGER NOT NULL CHECK (cleared IN (0, 1)),
    dry         INTEGER NOT NULL CHECK (dry IN (0, 1)),
    size        TEXT NOT NULL,
    notes       TEXT NOT NULL,
    verdicts    TEXT NOT NULL CHECK (json_valid(verdicts)),
    readings    TEXT NOT NULL CHECK (json_valid(readings)),
    decision    TEXT NOT NULL CHECK (decision IN ('', 'edge to edge', 'blend', 'no')),
    decided_at  INTEGER,
    photo       INTEGER REFERENCES photo (id),
    updated_at  INTEGER NOT NULL,
    updated_by  TEXT NOT NULL,
    UNIQUE (family, number)
);

CREATE INDEX card_by_batch ON card (batch);

CREATE TRIGGER card_number_stays BEFORE UPDATE OF id, family, number, formula_id ON card
WHEN NEW.id <> OLD.id OR NEW.family <> OLD.family OR NEW.number <> OLD.number OR NEW.formula_id <> OLD.formula_id
BEGIN
    SELECT RAISE(ABORT, 'a card keeps its number and its formula');
END;

CREATE TRIGGER card_is_kept BEFORE DELETE ON card
BEGIN
    SELECT RAISE(ABORT, 'a card is never deleted');
END;

CREATE TABLE card_save (
    card   INTEGER NOT NULL REFERENCES card (id),
    number INTEGER NOT NULL CHECK (number >= 1),
    at     INTEGER NOT NULL,
    person TEXT NOT NULL,
    body   TEXT NOT NULL CHECK (json_valid(body)),
    PRIMARY KEY (card, number)
) WITHOUT ROWID;

CREATE TRIGGER card_save_stays BEFORE UPDATE ON card_save
BEGIN
    SELECT RAISE(ABORT, 'what a card said before never changes');
END;

CREATE TRIGGER card_save_is_kept BEFORE DELETE ON card_save
BEGIN
    SELECT RAISE(ABORT, 'what a card said before is never deleted');
END;
