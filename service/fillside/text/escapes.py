"""Escapes for control characters in foreign text, so that it cannot steer a terminal.

Names, notes and payloads hold whatever somebody sent. Shown unchanged, their control characters could move
the cursor, colour or clear the screen, reverse the reading direction, or forge a line.
"""

from __future__ import annotations

_CONTROLS = (
    *range(0x20),
    0x7F,
    *range(0x80, 0xA0),
    *(0x061C, 0x200E, 0x200F, *range(0x2028, 0x202F), *range(0x2066, 0x206A)),
)
"""C0, DEL and C1 (ECMA-48), line and paragraph separators, and the marks, embeddings, overrides and isolates
of bidirectional text (Unicode Standard Annex 9)."""
_ESCAPES = {code: f"\\u{code:04x}" for code in _CONTROLS}
_IN_LINES = {code: escape for code, escape in _ESCAPES.items() if chr(code) not in "\n\t"}


def escape_controls(text: str) -> str:
    """Write control characters as JSON escapes; keep line ends and tabs.

    >>> escape_controls("up \\x1b[31mred\\n")
    'up \\\\u001b[31mred\\n'
    """
    return text if text.isprintable() else text.translate(_IN_LINES)


def escape_to_one_line(text: str) -> str:
    """Write control characters as JSON escapes, line ends and tabs too."""
    return text if text.isprintable() else text.translate(_ESCAPES)
