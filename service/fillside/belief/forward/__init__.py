"""The forward model: the light that follows from unknowns."""
