"""Orders from keys, foot switches and presentation remotes: what they mean, and where they come from."""
