"""The memory of the hold: it outlives a restart and a change of the rig."""
