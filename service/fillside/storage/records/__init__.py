"""The stored records: journal, takes, readings, saved state, and the checks of their rows."""
