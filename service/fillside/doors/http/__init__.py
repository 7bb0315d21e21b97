"""The HTTP door: orders, state, live changes and the page."""
