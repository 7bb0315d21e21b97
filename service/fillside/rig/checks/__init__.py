"""Checks across the tables of a rig, warnings, cautions, and the report of `fillside check`."""
