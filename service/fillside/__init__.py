"""Fillside holds a key-to-fill ratio and an exposure on a face, by dimming the lamps."""
