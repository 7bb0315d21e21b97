"""Visitors: their tokens, their admission and their rights."""
