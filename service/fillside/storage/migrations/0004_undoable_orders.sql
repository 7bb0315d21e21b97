-- What can be taken back after a restart: the latest orders that changed something, the oldest first.
CREATE TABLE undoable (
    id   INTEGER PRIMARY KEY,
    body TEXT NOT NULL           -- JSON of the order in words, and of what was wanted before it
) STRICT;
