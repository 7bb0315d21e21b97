"""The ways in: HTTP, a broker, OSC, and keys."""
