-- The studio that a take began in: what was believed of it, where everything was, and the camera; NULL for
-- takes of before, and without a calibration.
ALTER TABLE take ADD COLUMN belief TEXT;             -- JSON: figures of the heads and the ambient light
ALTER TABLE take ADD COLUMN geometry TEXT;           -- JSON: heads with their aims, subject, marks, camera [m]
ALTER TABLE take ADD COLUMN camera TEXT;             -- JSON: the camera's settings
