"""Names of keys from the octets a terminal sends. Pure: octets in, names out.

Keys without a character arrive as control sequences: ``ESC [``, numbers, and a letter or ``~`` (ECMA-48,
5.4), or ``ESC O`` and a letter (the application mode of DEC's terminals, described in the documents of
xterm).
"""

from __future__ import annotations

import string

NAME_OF_CHARACTER = {
    **{letter: letter for letter in string.ascii_lowercase + string.digits},
    **{letter.upper(): letter for letter in string.ascii_lowercase},
    " ": "space",
    "\t": "tab",
    "\r": "enter",
    "\n": "enter",
    "\x08": "backspace",
    "\x7f": "backspace",
    "\x1b": "escape",
    "+": "plus",
    "-": "minus",
    "=": "equal",
    ",": "comma",
    ".": "dot",
    "/": "slash",
    "*": "star",
    ";": "semicolon",
    "'": "apostrophe",
    "`": "grave",
    "\\": "backslash",
    "[": "left_bracket",
    "]": "right_bracket",
}
"""The name of each key by the character that a terminal sends for it."""

ESCAPE = 0x1B
LONGEST = 32
_LETTERS = {
    "A": "up",
    "B": "down",
    "C": "right",
    "D": "left",
    "H": "home",
    "F": "end",
    "P": "f1",
    "Q": "f2",
    "R": "f3",
    "S": "f4",
}
_NUMBERS = {
    1: "home",
    2: "insert",
    3: "delete",
    4: "end",
    5: "page_up",
    6: "page_down",
    7: "home",
    8: "end",
    11: "f1",
    12: "f2",
    13: "f3",
    14: "f4",
    15: "f5",
    17: "f6",
    18: "f7",
    19: "f8",
    20: "f9",
    21: "f10",
    23: "f11",
    24: "f12",
}


class Decoder:
    """Takes octets as they come, in pieces of any size.

    >>> Decoder().feed(b"b\\x1b[6~")
    ['b', 'page_down']
    """

    def __init__(self) -> None:
        self._octets = b""

    @property
    def waits(self) -> bool:
        """Return true if the octets so far may begin a longer sequence."""
        return bool(self._octets)

    def feed(self, octets: bytes) -> list[str]:
        """Return the keys that are complete now; octets of no known key are dropped."""
        self._octets += octets
        found = []
        while self._octets:
            length, name = _first(self._octets)
            if length == 0:
                break
            self._octets = self._octets[length:]
            if name:
                found.append(name)
        return found

    def flush(self) -> list[str]:
        """End the pending octets: a lone escape is the escape key, an incomplete sequence is dropped."""
        octets, self._octets = self._octets, b""
        return ["escape"] if octets == b"\x1b" else []


def _first(octets: bytes) -> tuple[int, str | None]:
    """Return the length of the first key, 0 while it is incomplete, and its name, None if unknown."""
    if octets[0] != ESCAPE:
        return _character(octets)
    if len(octets) == 1:
        return 0, None
    if octets[1] == ord("O"):
        return (3, _LETTERS.get(chr(octets[2]))) if len(octets) > 2 else (0, None)
    if octets[1] != ord("["):
        # Alt with a key arrives as escape and that key; escape twice is escape.
        return 1, "escape" if octets[1] == ESCAPE else None
    return _sequence(octets)


def _sequence(octets: bytes) -> tuple[int, str | None]:
    """Read a control sequence: parameters from 0x30 to 0x3f, others from 0x20, and a last octet from 0x40."""
    if octets[2:3] == b"[":
        # The Linux console's function keys.
        if len(octets) <= 3:
            return 0, None
        return 4, f"f{octets[3] - 0x40}" if 0x41 <= octets[3] <= 0x45 else None
    for place in range(2, min(len(octets), LONGEST)):
        octet = octets[place]
        if 0x40 <= octet <= 0x7E:
            number = octets[2:place].split(b";")[0]
            if octet == ord("~"):
                return place + 1, _NUMBERS.get(int(number)) if number.isdigit() else None
            return place + 1, _LETTERS.get(chr(octet))
        if not 0x20 <= octet <= 0x3F:
            return place, None
    return (LONGEST, None) if len(octets) >= LONGEST else (0, None)


def _character(octets: bytes) -> tuple[int, str | None]:
    """Read a character in UTF-8."""
    lead = octets[0]
    length = 1 if lead < 0xC0 else 2 if lead < 0xE0 else 3 if lead < 0xF0 else 4
    if len(octets) < length:
        return 0, None
    return length, NAME_OF_CHARACTER.get(octets[:length].decode("utf-8", "replace"))
