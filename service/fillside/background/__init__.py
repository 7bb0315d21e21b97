"""Background work, fenced so that it cannot delay or stop a frame."""
