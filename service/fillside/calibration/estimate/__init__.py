"""Estimates the studio from readings."""
