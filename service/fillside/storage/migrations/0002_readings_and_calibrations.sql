-- Meter readings as they were handed in; struck ones stay, with what they were struck for.
CREATE TABLE reading (
    id      INTEGER PRIMARY KEY,
    at      REAL NOT NULL,           -- unix time [s]
    who     TEXT NOT NULL,
    purpose TEXT NOT NULL,           -- calibrate, warm-up, verify, lineup or sensor
    body    TEXT NOT NULL,           -- JSON of the reading
    struck  TEXT                     -- why it does not count any more; NULL while it does
) STRICT;

-- Every calibration there ever was, with the readings it came from.
CREATE TABLE calibration (
    id       INTEGER PRIMARY KEY,
    at       REAL NOT NULL,          -- unix time [s]
    meter    TEXT NOT NULL,          -- JSON of the rig's meter table then
    readings TEXT NOT NULL,          -- JSON array of reading ids
    body     TEXT NOT NULL           -- JSON as `fit --json` prints it
) STRICT;

-- Which calibration is used (NULL: the rig file alone), and where a guided routine is.
CREATE TABLE metering (
    id          INTEGER PRIMARY KEY CHECK (id = 1),
    calibration INTEGER REFERENCES calibration (id),
    routine     TEXT                 -- JSON, NULL when none is under way
) STRICT;
INSERT INTO metering (id, calibration, routine) VALUES (1, NULL, NULL);
