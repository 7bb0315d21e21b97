"""Reading what people type in answer to the questions of a first rig, in the words they use."""
