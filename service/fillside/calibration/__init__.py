"""Readings to a calibration with its uncertainty."""
