"""The meter's side of the daemon: readings are taken, weighed and applied, and routines guide the person."""
