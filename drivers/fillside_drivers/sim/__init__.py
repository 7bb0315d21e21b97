"""A simulated wire, the lamps on it, and a meter to read their light."""
