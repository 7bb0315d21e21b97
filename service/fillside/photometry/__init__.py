"""Photometry in pure numpy: sources, receptors, dimming curves, exposure, ratio, and colour."""
