"""Checks of a database, and the renewal of a damaged one."""
