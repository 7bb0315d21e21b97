"""The intent: all that orders can set, and the levels that meet it."""
