"""The running studio: one event loop that owns the hold, the wires it drives, and who is told."""
