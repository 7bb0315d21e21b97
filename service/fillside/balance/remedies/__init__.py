"""Changes that a person could make to reach a balance out of the lamps' reach."""
