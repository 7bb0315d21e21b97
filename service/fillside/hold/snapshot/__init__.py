"""The state that every door shows, and the verdict on the light in it."""
