"""Fading: paths, lag, rounding to codes, and the flash limiter."""
