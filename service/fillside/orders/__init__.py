"""The orders that doors accept, and the answers to them."""
