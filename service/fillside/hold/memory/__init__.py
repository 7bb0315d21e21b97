"""What outlives a restart or a change of the rig."""
