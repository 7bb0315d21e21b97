"""The intent: everything that orders can set, and the levels that meet it."""
