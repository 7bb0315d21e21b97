"""Text for people: numbers with units and uncertainties, and escapes for foreign text."""
