"""Solves for outputs and rounds them to wire codes."""
