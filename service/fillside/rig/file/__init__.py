"""The rig file: loading, validation, changes, and its JSON Schema."""
