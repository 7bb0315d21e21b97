"""The rig: its file, tables, checks, and numbers."""
