"""Planning before the lamps are lit: reachable ratios, the look of the light, safety, and a first rig
file.
"""
