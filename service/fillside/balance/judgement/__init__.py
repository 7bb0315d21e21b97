"""Judges the light against its target."""
