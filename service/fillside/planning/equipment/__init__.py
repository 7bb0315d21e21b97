"""Lamps and modifiers in the terms of the trade."""
