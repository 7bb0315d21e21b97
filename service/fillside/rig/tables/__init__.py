"""The tables of the rig file as pydantic models."""
