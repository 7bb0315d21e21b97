"""The codec of GDTF (DIN SPEC 15800), descriptions of lamps on DMX wires."""
