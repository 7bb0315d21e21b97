"""Drivers, which carry wire codes to lamps and know wires but nothing of light."""
