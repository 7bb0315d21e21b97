"""The OSC door: orders over UDP from button boxes and streaming machines."""
