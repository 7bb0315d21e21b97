"""DMX values as GDTF writes them: ``value/octets``, with an ``s`` behind for shifting."""

from __future__ import annotations

import re

from fillside_drivers.gdtf.archive import GdtfError

_VALUE = re.compile(r"(\d{1,10})/([1-4])(s?)", re.ASCII)
NONE = "None"


def dmx_value(text: str, octets: int) -> int | None:
    """The value a text stands for on a channel of so many octets; None for "None" and for no text.

    Fewer octets are mirrored up to the channel's width, or filled with zeros behind where an ``s`` follows;
    of more octets the finest are dropped (DIN SPEC 15800, DMXValue).

    >>> dmx_value("255/1", 2), dmx_value("255/1s", 2), dmx_value("258/2", 1)
    (65535, 65280, 1)
    """
    text = text.strip()
    if text in ("", NONE):
        return None
    found = _VALUE.fullmatch(text)
    if not found or int(found[1]) >= 1 << (8 * int(found[2])):
        raise GdtfError(f"{text[:24]!r} is not a DMX value such as 255/1")
    written = int(found[1]).to_bytes(int(found[2]), "big")
    behind = bytes(octets) if found[3] else written * octets
    return int.from_bytes((written + behind)[:octets], "big")
