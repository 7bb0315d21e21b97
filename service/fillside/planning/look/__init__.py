"""How the light looks at a mark: face, eyes, glasses, softness, reach, and the lens."""
