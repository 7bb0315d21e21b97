"""From what a terminal sends to the names of keys. Pure: octets in, names out.

Keys without a character come as control sequences: ``ESC [`` numbers and a letter or ``~`` (ECMA-48, 5.4), or
``ESC O`` and a letter (the application mode of DEC's terminals, which xterm's documents describe).
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
"""The name of a key by the character that a terminal sends for it."""

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
    """Takes octets as they come, in pieces however torn.

    >>> Decoder().feed(b"b\\x1b[6~")
    ['b', 'page_down']
    """

    def __init__(self) -> None:
        self._held = b""

    @property
    def waits(self) -> bool:
        """Whether what came so far may be the beginning of a longer sequence."""
        return bool(self._held)

    def feed(self, octets: bytes) -> list[str]:
        """The keys that are whole now; octets that are no key we know are dropped."""
        self._held += octets
        found = []
        while self._held:
            length, name = _first(self._held)
            if length == 0:
                break
            self._held = self._held[length:]
            if name:
                found.append(name)
        return found

    def flush(self) -> list[str]:
        """No more came for a while: a lone escape is the escape key, the rest of a sequence is nothing."""
        held, self._held = self._held, b""
        return ["escape"] if held == b"\x1b" else []


def _first(held: bytes) -> tuple[int, str | None]:
    """How long the first key of what is held is, 0 while it is not whole, and its name, None if unknown."""
    if held[0] != ESCAPE:
        return _character(held)
    if len(held) == 1:
        return 0, None
    if held[1] == ord("O"):
        return (3, _LETTERS.get(chr(held[2]))) if len(held) > 2 else (0, None)
    if held[1] != ord("["):
        # Alt with a key comes as escape and that key; escape twice is escape.
        return 1, "escape" if held[1] == ESCAPE else None
    return _sequence(held)


def _sequence(held: bytes) -> tuple[int, str | None]:
    """A control sequence: parameters from 0x30 to 0x3f, others from 0x20, and a last octet from 0x40."""
    if held[2:3] == b"[":
        # The Linux console's function keys.
        return (4, f"f{held[3] - 0x40}" if 0x41 <= held[3] <= 0x45 else None) if len(held) > 3 else (0, None)
    for place in range(2, min(len(held), LONGEST)):
        octet = held[place]
        if 0x40 <= octet <= 0x7E:
            number = held[2:place].split(b";")[0]
            if octet == ord("~"):
                return place + 1, _NUMBERS.get(int(number)) if number.isdigit() else None
            return place + 1, _LETTERS.get(chr(octet))
        if not 0x20 <= octet <= 0x3F:
            return place, None
    return (LONGEST, None) if len(held) >= LONGEST else (0, None)


def _character(held: bytes) -> tuple[int, str | None]:
    """A character in UTF-8."""
    lead = held[0]
    length = 1 if lead < 0xC0 else 2 if lead < 0xE0 else 3 if lead < 0xF0 else 4
    if len(held) < length:
        return 0, None
    return length, NAME_OF_CHARACTER.get(held[:length].decode("utf-8", "replace"))
