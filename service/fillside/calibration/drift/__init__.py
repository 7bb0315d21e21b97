"""Drift since the calibration, and the daylight that a sensor sees."""
