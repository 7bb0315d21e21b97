"""Lamps and modifiers as the trade describes them."""
