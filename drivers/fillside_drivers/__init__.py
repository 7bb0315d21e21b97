"""Drivers carry wire codes to lamps; they know wires and nothing of light."""
