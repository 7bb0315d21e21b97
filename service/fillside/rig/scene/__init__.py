"""The rig as numbers: geometry, light, wire codes, and whites."""
