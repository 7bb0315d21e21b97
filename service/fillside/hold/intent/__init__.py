"""What orders have set, and the levels that follow from it."""
