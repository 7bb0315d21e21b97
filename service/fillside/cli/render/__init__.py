"""Text for the terminal: state, history, plans, calibrations, readings and routines."""
