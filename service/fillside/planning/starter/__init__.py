"""The first rig: its questions, the set made of the answers, and the commented rig file."""
