"""The rig file: reading, validating, changing, and its JSON Schema."""
