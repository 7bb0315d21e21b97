"""Streaming ACN, ANSI E1.31-2018: codec, schedule and sender, and a watch for other sources."""
