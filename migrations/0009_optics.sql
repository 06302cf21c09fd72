-- What light does in a toner, and spectra: of cards as they were read, and of the colours that formulas are to hit.

CREATE TABLE toner_optics (
    toner_id   INTEGER PRIMARY KEY REFERENCES toner (id) ON DELETE CASCADE,
    start      REAL NOT NULL CHECK (start > 0),          -- nm
    step       REAL NOT NULL CHECK (step > 0),           -- nm
    k          TEXT NOT NULL CHECK (json_valid(k)),      -- array, one a wavelength, of a gram
    s          TEXT NOT NULL CHECK (json_valid(s)),
    source     TEXT NOT NULL CHECK (source <> ''),       -- where they are from, in words
    invented   INTEGER NOT NULL CHECK (invented IN (0, 1)),
    updated_at INTEGER NOT NULL
);

CREATE TABLE formula_spectrum (
    formula_id INTEGER PRIMARY KEY REFERENCES formula (id),
    curve      TEXT NOT NULL CHECK (json_valid(curve)),
    source     TEXT NOT NULL,
    person     TEXT NOT NULL,
    updated_at INTEGER NOT NULL
);

ALTER TABLE card ADD COLUMN spectrum TEXT CHECK (spectrum IS NULL OR json_valid(spectrum));
