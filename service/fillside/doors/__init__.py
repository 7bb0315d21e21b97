"""The ways in: HTTP, an MQTT broker, OSC, and keys."""
