"""Planning before the shoot: pure functions of a rig, answered with the same light the hold computes with."""
