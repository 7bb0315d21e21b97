"""What must outlive a run: SQLite in one locked folder per rig, one writer thread, read-only readers."""
