"""Finds the subject from noisy position reports."""
