"""The look of the light: reach, softness, faces, eyes, spectacles, lens and colour at each mark."""
