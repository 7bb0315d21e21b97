"""Photometry in pure numpy: sources, receptors, dimming curves, exposure, and colour."""
