"""The running studio: one event loop that owns the hold, its wires, its storage and its readers."""
