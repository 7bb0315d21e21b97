"""Text for the terminal: state, plans, calibrations, and readings."""
