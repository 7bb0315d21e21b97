"""The guided routines at a terminal."""
