"""Moves the light: paths, lag, rounding to codes, and the flash limiter."""
