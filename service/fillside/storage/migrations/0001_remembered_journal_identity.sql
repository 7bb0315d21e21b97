-- What a restart resumes from: one row.
CREATE TABLE remembered (
    id       INTEGER PRIMARY KEY CHECK (id = 1),
    saved_at REAL NOT NULL,          -- unix time [s]
    body     TEXT NOT NULL           -- JSON
) STRICT;

-- Who ordered what, from where and when, and what came of it.
CREATE TABLE journal (
    id      INTEGER PRIMARY KEY,
    at      REAL NOT NULL,           -- unix time [s]
    who     TEXT NOT NULL,
    door    TEXT NOT NULL,
    address TEXT NOT NULL,
    said    TEXT NOT NULL,           -- JSON of the order or event
    outcome TEXT NOT NULL,           -- "ok" or the code of the refusal
    note    TEXT NOT NULL
) STRICT;

-- Names this installation is known by on the network, kept for good.
CREATE TABLE identity (
    name  TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;
