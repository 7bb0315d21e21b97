"""Text that came from elsewhere, made fit to be shown: what would steer a terminal is written as an escape.

Names, notes and payloads are whatever somebody sent. Shown as they are, their control characters could move
the cursor, colour or clear the screen, turn the reading direction round, or forge a line.
"""

from __future__ import annotations

_STEERING = (
    *range(0x20),
    0x7F,
    *range(0x80, 0xA0),
    *(0x061C, 0x200E, 0x200F, *range(0x2028, 0x202F), *range(0x2066, 0x206A)),
)
"""C0, DEL and C1 (ECMA-48), line and paragraph separators, and the marks, embeddings, overrides and isolates
of bidirectional text (Unicode Standard Annex 9)."""
_ESCAPES = {code: f"\\u{code:04x}" for code in _STEERING}
_IN_LINES = {code: escape for code, escape in _ESCAPES.items() if chr(code) not in "\n\t"}


def escape_controls(text: str) -> str:
    """The text with what steers written as escapes, as JSON writes them; ends of lines and tabs stay.

    >>> escape_controls("up \\x1b[31mred\\n")
    'up \\\\u001b[31mred\\n'
    """
    return text if text.isprintable() else text.translate(_IN_LINES)


def escape_to_one_line(text: str) -> str:
    """The same, ends of lines and tabs too."""
    return text if text.isprintable() else text.translate(_ESCAPES)
