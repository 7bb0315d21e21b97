"""The rig as numbers."""
