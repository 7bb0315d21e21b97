"""A first rig file from a few questions."""
