"""The rig: its file, its tables, and its numbers."""
