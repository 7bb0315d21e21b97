"""The lighting sheet: one page to rebuild a set from, drawn to scale."""
