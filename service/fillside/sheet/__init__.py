"""The lighting sheet: what a set is rebuilt from, drawn to scale, and what is read beside it."""
