"""Orders from keys, foot switches and presentation remotes: their sources and their meaning."""
