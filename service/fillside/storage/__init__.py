"""The stored data of one rig in SQLite: orders, readings, calibrations, takes and the journal."""
