"""Admission of visitors by tokens, and their rights."""
