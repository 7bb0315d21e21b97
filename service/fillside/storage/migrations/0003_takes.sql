-- Takes: from a freeze to its end, with the light they began and ended with.
CREATE TABLE take (
    id    INTEGER PRIMARY KEY,
    began REAL NOT NULL,             -- unix time [s]
    ended REAL,                      -- NULL while it goes on
    first TEXT NOT NULL,             -- JSON of the light it began with
    last  TEXT                       -- JSON of the light it ended with
) STRICT;
