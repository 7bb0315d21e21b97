"""Reading the answers people type to the questions of a first rig, in their own words."""
