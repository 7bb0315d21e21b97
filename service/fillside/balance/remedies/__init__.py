"""Changes that a person could make if the lamps cannot reach the balance."""
