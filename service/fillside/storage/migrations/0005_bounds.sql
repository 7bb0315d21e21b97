-- Refusals that repeat within a minute share a row: how often, and when for the last time.
ALTER TABLE journal ADD COLUMN times INTEGER NOT NULL DEFAULT 1;
ALTER TABLE journal ADD COLUMN last_at REAL;         -- unix time [s]; NULL for one that did not repeat

-- A calibration that somebody went back to outlives those that nobody chose.
ALTER TABLE calibration ADD COLUMN chosen INTEGER NOT NULL DEFAULT 0;

-- The highest number of a reading that was in a calibration which has gone since.
ALTER TABLE metering ADD COLUMN weighed INTEGER NOT NULL DEFAULT 0;

-- How many rows of a table were let go by its bound: their numbers are missing, and nothing is lost.
CREATE TABLE removal (
    name TEXT PRIMARY KEY,
    rows INTEGER NOT NULL
) STRICT;
INSERT INTO removal (name, rows) SELECT 'journal', coalesce(min(id), 1) - 1 FROM journal;
