"""Reader of EULUMDAT photometric files (.ldt), the format of the Lichttechnische Gesellschaft of 1990.

The layout is from memory: one entry per line, numbered here as the format numbers its fields; intensities are
in candela per 1000 lm of the bare lamps. A negative number of lamps marks absolute photometry (common
practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from fillside.rig.photometric.number_reader import NumberReader, Word
from fillside.rig.photometric.photometric_file import (
    PhotometricFile,
    PhotometricFileError,
    opening_diameter_m,
)

MOST_ANGLES = 1000
_LINES_BEFORE_LAMPS = 26
_LINES_A_LAMP_SET = 6
_WORD = re.compile(r"\S+")
_SECTORS = {2: 2, 3: 4, 4: 4}
"""Divisor of the count of planes, by symmetry, that ensures that the mirror planes are included."""


def read_eulumdat(text: str) -> PhotometricFile:
    """Read an EULUMDAT file; raise PhotometricFileError, and no other error, for any other text."""
    lines = [line.strip() for line in text.removeprefix("\ufeff").splitlines()]
    entry = _Entries(lines)
    symmetry = entry.whole(3, "the symmetry (0 to 4)", 0, 4)
    plane_count = entry.whole(4, "the count of C-planes", 1, MOST_ANGLES)
    angle_count = entry.whole(6, "the count of angles in a plane", 2, MOST_ANGLES)
    multiple = _SECTORS.get(symmetry, 1)
    if plane_count % multiple:
        raise PhotometricFileError(
            f"with symmetry {symmetry} the count of C-planes is a multiple of {multiple}, not {plane_count}",
            4,
        )
    lamps = _lamps(entry)
    numbers = entry.numbers_after(_LINES_BEFORE_LAMPS + _LINES_A_LAMP_SET * lamps.sets)
    numbers.several(10, "a direct ratio")
    planes = _stored_planes(numbers.rising(plane_count, "C-plane angle", 360), symmetry)
    angles = numbers.rising(angle_count, "angle", 180)
    if angles[0] != 0:
        raise PhotometricFileError(
            f"angles start at {angles[0]:g}; a head is aimed along angle 0", numbers.line
        )
    per_klm = numbers.table(len(planes), angle_count)
    stated = lamps.lumens if lamps.absolute else lamps.lumens * lamps.output_ratio
    return PhotometricFile(
        angles_deg=tuple(angles),
        planes_deg=tuple(planes),
        candela=per_klm * lamps.factor * lamps.lumens / 1000,
        lamp_lumens=None if lamps.absolute else lamps.lumens,
        stated_lumens=stated if stated > 0 else None,
        opening_m=_opening_m(entry),
    )


class _Entries:
    """The entries before the tables: one per line, which may be empty."""

    def __init__(self, lines: list[str]) -> None:
        self._lines = lines

    def number(self, line: int, what: str) -> float:
        return self._at(line).take(what)

    def whole(self, line: int, what: str, least: int, most: int) -> int:
        return self._at(line).whole(what, least, most)

    def _at(self, line: int) -> NumberReader:
        text = self._lines[line - 1] if line <= len(self._lines) else ""
        if line <= len(self._lines) and not text:
            text = "(nothing)"
        return NumberReader([(text.replace(",", "."), line)] if text else [], min(line, len(self._lines)))

    def numbers_after(self, line: int) -> NumberReader:
        """Return the numbers after a line, in any layout."""
        return NumberReader(self._words_after(line), min(line, len(self._lines)))

    def _words_after(self, line: int) -> Iterator[Word]:
        for place, text in enumerate(self._lines[line:], start=line + 1):
            for word in _WORD.finditer(text):
                yield word[0].replace(",", "."), place


@dataclass(frozen=True)
class _Lamps:
    """The first set of lamps, the factor of the intensities, and the light output ratio of the luminaire."""

    sets: int
    absolute: bool
    lumens: float
    factor: float
    output_ratio: float


def _lamps(entry: _Entries) -> _Lamps:
    ratio = entry.number(23, "the light output ratio in per cent")
    factor = entry.number(24, "the factor for intensities")
    if factor <= 0:
        raise PhotometricFileError(f"the factor for intensities must be above 0, not {factor:g}", 24)
    sets = entry.whole(26, "the count of lamp sets", 1, 20)
    count = entry.number(27, "the number of lamps")
    lumens = entry.number(29, "the luminous flux of the lamps")
    if lumens <= 0:
        raise PhotometricFileError(f"the luminous flux of the lamps must be above 0, not {lumens:g}", 29)
    return _Lamps(sets, count < 0, lumens, factor, ratio / 100)


def _stored_planes(planes: list[float], symmetry: int) -> list[float]:
    """Return the planes with stored intensities [degrees], counting past 360 where they wrap around."""
    count = len(planes)
    if symmetry == 1:
        return planes[:1]
    if symmetry == 3:
        first = 3 * count // 4
        return [
            planes[k % count] + (360.0 if k >= count else 0.0) for k in range(first, first + count // 2 + 1)
        ]
    return planes[: {0: count, 2: count // 2 + 1, 4: count // 4 + 1}[symmetry]]


def _opening_m(entry: _Entries) -> float | None:
    length = entry.number(16, "the length of the luminous area in mm")
    width = entry.number(17, "the width of the luminous area in mm")
    return opening_diameter_m(length / 1000, width / 1000)
