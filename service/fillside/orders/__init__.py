"""Every order that a door may give, and every answer to one."""
