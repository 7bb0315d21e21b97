"""Descriptions of lamps on DMX wires: GDTF, DIN SPEC 15800. Codec only."""
