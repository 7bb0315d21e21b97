"""Sequential reader of the numbers in a text file, with the line of each."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from fillside.rig.photometric.photometric_file import FloatArray, PhotometricFileError

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
LONGEST_SHOWN = 24
LARGEST = 1e9
"""Larger than any quantity of a lamp; products of such numbers stay finite."""

MOST_INTENSITIES = 250_000
"""Steps of one degree in both directions give 65,000; nobody measures finer than half a degree."""

Word = tuple[str, int]


def number(text: str, line: int, what: str) -> float:
    """Parse a number up to `LARGEST`; raise PhotometricFileError naming `what` for anything else."""
    if _NUMBER.fullmatch(text) and abs(value := float(text)) <= LARGEST:
        return value
    shown = text if len(text) <= LONGEST_SHOWN else text[:LONGEST_SHOWN] + "…"
    raise PhotometricFileError(f"{what} must be a number, not {shown!r}", line)


class NumberReader:
    """Reads words in order as numbers; `line` is that of the last word read."""

    def __init__(self, words: Iterable[Word], line: int) -> None:
        self._words = iter(words)
        self.line = line

    def take(self, what: str) -> float:
        """Read the next number; `what` names it in an error."""
        text, self.line = next(self._words, ("", self.line))
        if not text:
            raise PhotometricFileError(f"the file ends here, but {what} should follow", self.line)
        return number(text, self.line, what)

    def whole(self, what: str, least: int, most: int) -> int:
        """Read the next number, which must be whole and within bounds."""
        value = self.take(what)
        if not (value.is_integer() and least <= value <= most):
            raise PhotometricFileError(
                f"{what} must be a whole number from {least} to {most}, not {value:g}", self.line
            )
        return int(value)

    def several(self, count: int, what: str) -> list[float]:
        """Read `count` numbers."""
        return [self.take(what) for _ in range(count)]

    def rising(self, count: int, what: str, most: float) -> list[float]:
        """Read `count` numbers from 0 to `most`, each above the one before."""
        found: list[float] = []
        for _ in range(count):
            value = self.take(what)
            if not 0 <= value <= most:
                raise PhotometricFileError(f"{what} must be from 0 to {most:g}, not {value:g}", self.line)
            if found and value <= found[-1]:
                raise PhotometricFileError(f"{what}s must rise; {value:g} follows {found[-1]:g}", self.line)
            found.append(value)
        return found

    def table(self, rows: int, columns: int) -> FloatArray:
        """Read rows of luminous intensities, each 0 or more."""
        if rows * columns > MOST_INTENSITIES:
            raise PhotometricFileError(
                f"{rows} by {columns} intensities are more than {MOST_INTENSITIES}", self.line
            )
        found = np.empty((rows, columns))
        for place in range(rows * columns):
            value = self.take("a luminous intensity")
            if value < 0:
                raise PhotometricFileError(f"a luminous intensity cannot be {value:g}", self.line)
            found.flat[place] = value
        return found
