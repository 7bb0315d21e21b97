-- From when to when a calibration was used: JSON array of pairs of unix times [s], the last one open while it
-- is; empty for those of before.
ALTER TABLE calibration ADD COLUMN spans TEXT NOT NULL DEFAULT '[]';
