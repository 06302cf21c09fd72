-- The people of the shop and its settings.

CREATE TABLE person (
    id       INTEGER PRIMARY KEY,
    name     TEXT NOT NULL CHECK (name <> ''),
    name_key TEXT NOT NULL UNIQUE,
    role     TEXT NOT NULL DEFAULT 'mixer' CHECK (role <> ''),
    active   INTEGER NOT NULL DEFAULT 1 CHECK (active IN (0, 1))
);

CREATE TABLE setting (
    name       TEXT PRIMARY KEY,
    value      TEXT NOT NULL CHECK (json_valid(value)),
    updated_at INTEGER NOT NULL
) WITHOUT ROWID;
