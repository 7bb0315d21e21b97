"""The kept records: journal, takes, readings, and the checks of their rows."""
