"""Damaged databases: the check that finds damage, and the salvage of intact rows."""
