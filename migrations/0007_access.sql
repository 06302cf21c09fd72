-- Who may do what: PINs, the tablets that have joined, who is signed in at which, and how often something secret was tried.
--
-- No secret is kept as it is: a PIN as its Argon2id hash, a tablet's key and a join code as SHA-256 (both are random and
-- long, so that a plain hash is enough).

CREATE TABLE pin (
    person_id INTEGER PRIMARY KEY REFERENCES person (id) ON DELETE CASCADE,
    hash      TEXT NOT NULL CHECK (hash <> ''),
    set_at    INTEGER NOT NULL
);

CREATE TABLE device (
    id           TEXT PRIMARY KEY CHECK (id <> ''),
    name         TEXT NOT NULL CHECK (name <> ''),
    key_hash     BLOB NOT NULL UNIQUE CHECK (length(key_hash) = 32),
    joined_at    INTEGER NOT NULL,
    joined_by    TEXT NOT NULL,
    seen_at      INTEGER NOT NULL,
    dismissed_at INTEGER,
    person_id    INTEGER REFERENCES person (id) ON DELETE SET NULL -- who works at it now
) WITHOUT ROWID;

CREATE TABLE session (
    device_id TEXT NOT NULL REFERENCES device (id) ON DELETE CASCADE,
    person_id INTEGER NOT NULL REFERENCES person (id) ON DELETE CASCADE,
    opened_at INTEGER NOT NULL,
    seen_at   INTEGER NOT NULL,
    PRIMARY KEY (device_id, person_id)
) WITHOUT ROWID;
CREATE INDEX session_person ON session (person_id);
CREATE INDEX device_person ON device (person_id);

CREATE TABLE join_code (
    code_hash BLOB PRIMARY KEY CHECK (length(code_hash) = 32),
    made_by   TEXT NOT NULL,
    until_at  INTEGER NOT NULL
) WITHOUT ROWID;

CREATE TABLE tries (
    subject  TEXT PRIMARY KEY CHECK (subject <> ''), -- "person 3", "device …", "address …"
    failed   INTEGER NOT NULL CHECK (failed >= 0),
    until_at INTEGER NOT NULL,
    tried_at INTEGER NOT NULL
) WITHOUT ROWID;
