"""Planning ahead of the lamps: reachable ratios, the look of the light, safety, and a first rig file."""
