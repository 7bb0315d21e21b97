"""Work beside the light, fenced so that it cannot delay or stop a frame."""
