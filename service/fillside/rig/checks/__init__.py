"""Checks across the tables of a rig, warnings, and cautions."""
