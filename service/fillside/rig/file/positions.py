"""Line numbers of keys and values in a TOML text."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from typing import Any

import spanned_toml

from fillside.rig.problems import Path

_LIST_HEADER = re.compile(r"^[ \t]*\[\[[ \t]*(\"heads\"|'heads'|heads)[ \t]*\]\]", re.MULTILINE)


class TomlPositions:
    """Lines of the keys and values of a valid TOML text, counted from 1.

    The parser gives no position for the second and later ``[[heads]]`` headers; they are found by a pattern,
    outside all text values.
    """

    def __init__(self, text: str) -> None:
        self._text = text.replace("\r\n", "\n")
        self._starts = [0, *(match.end() for match in re.finditer("\n", self._text))]
        self._root: Any = spanned_toml.loads(self._text)
        self._headers = list(self._head_headers())
        self._key_lines: dict[int, dict[str, int]] = {}

    def line_of(self, path: Path) -> int:
        """Return the line of the deepest part of the path that is in the text; 1 if none is."""
        line, node = 1, self._root
        for i, part in enumerate(path):
            inner = node.inner()
            if isinstance(inner, dict) and isinstance(part, str) and part in inner:
                line = self._key_lines_of(inner)[part]
                node = inner[part]
            elif isinstance(inner, list) and isinstance(part, int) and part < len(inner):
                node = inner[part]
                line = self._line_of_item(path[: i + 1], node, line)
            else:
                return line
        return line

    def _key_lines_of(self, table: dict[Any, Any]) -> dict[str, int]:
        """Return the lines of a table's keys, cached by identity: all tables live as long as the text."""
        if id(table) not in self._key_lines:
            lines = {key.inner(): self._line_at(key.span().start) for key in table}
            self._key_lines[id(table)] = lines
        return self._key_lines[id(table)]

    def _line_of_item(self, path: Path, node: Any, line: int) -> int:
        if node.span().stop:
            return self._line_at(node.span().start)
        if path[0] == "heads" and len(path) == 2 and int(path[1]) < len(self._headers):
            return self._headers[int(path[1])]
        return line

    def _line_at(self, offset: int) -> int:
        return bisect_right(self._starts, offset)

    def _head_headers(self) -> Iterator[int]:
        values = sorted(_texts(self._root))
        for match in _LIST_HEADER.finditer(self._text):
            before = bisect_right(values, (match.start(), len(self._text)))
            if before == 0 or values[before - 1][1] <= match.start():
                yield self._line_at(match.start())


def _texts(node: Any) -> Iterator[tuple[int, int]]:
    """Yield the spans of all text values below a node; only they can contain a false header."""
    inner = node.inner()
    if isinstance(inner, dict):
        for value in inner.values():
            yield from _texts(value)
    elif isinstance(inner, list):
        for value in inner:
            yield from _texts(value)
    elif isinstance(inner, str):
        yield node.span().start, node.span().stop
