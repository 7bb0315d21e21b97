"""The state that every door shows, and the judgement in it."""
