"""The calibration that an estimate gives, its uncertainty, and the next reading to take."""
