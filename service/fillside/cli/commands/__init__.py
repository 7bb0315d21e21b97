"""The commands, a module for each or for a few that belong together."""
