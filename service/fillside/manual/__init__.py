"""The manual, a page a subject."""
