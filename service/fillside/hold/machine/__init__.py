"""The state machine: orders, events, and ticks in; wire codes out."""
