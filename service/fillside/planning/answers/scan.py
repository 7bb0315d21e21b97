"""Reading a line of the trade's words one after the other, in any order, with typos."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from fillside.planning.answers.typed_line import nearest

Rows = tuple[tuple[str, re.Pattern[str]], ...]
_WORD = re.compile(r"[^\s,;()+&]+")
_BETWEEN = re.compile(r"[\s,;:()+&.-]+")


class ScannedWord(NamedTuple):
    """One thing that was understood: which row of the table, and the match."""

    row: str
    match: re.Match[str]


def rows(table: Mapping[str, str]) -> Rows:
    """Patterns in the order in which they are tried, each up to the end of a word."""
    return tuple((row, re.compile(rf"(?:{pattern})(?![\w])")) for row, pattern in table.items())


class UnknownWordError(ValueError):
    """A word that is in no row, and like none; `word` says which."""

    def __init__(self, word: str) -> None:
        super().__init__(f"{word!r} is not understood here")
        self.word = word


def scan(line: str, known: Rows, skip: Iterable[str], vocabulary: Iterable[str]) -> Iterator[ScannedWord]:
    """Everything in a plain line, from left to right; a mistyped word counts as the one it is most like."""
    skipped, at = frozenset(skip), 0
    while at < len(line):
        if (gap := _BETWEEN.match(line, at)) is not None:
            at = gap.end()
            continue
        found = next((ScannedWord(row, m) for row, pattern in known if (m := pattern.match(line, at))), None)
        if found is not None:
            yield found
            at = found.match.end()
            continue
        word = _WORD.match(line, at)
        assert word is not None, "what is between words was skipped"
        if word[0] not in skipped:
            meant = nearest(word[0], vocabulary)
            if meant is None or meant == word[0]:
                raise UnknownWordError(word[0])
            line = line[:at] + meant + line[word.end() :]
            continue
        at = word.end()
