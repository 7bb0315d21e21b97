"""The memory of the hold, which survives restarts and changes of the rig."""
