"""Reader of ANSI/IES LM-63 photometric files of type C, editions of 1986, 1991, 1995, 2002 and 2019.

The layout is from memory of ANSI/IESNA LM-63-2002: a line that names the edition (none in 1986), lines of
keywords in brackets, TILT, and then only numbers.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

from fillside.rig.photometric.number_reader import NumberReader, Word
from fillside.rig.photometric.photometric_file import (
    PhotometricFile,
    PhotometricFileError,
    opening_diameter_m,
)

MOST_ANGLES = 1000
METRES_PER_UNIT = {1: 0.3048, 2: 1.0}
"""Units type 1 is feet (international foot); type 2 is metres."""
_TYPES = {2: "B", 3: "A"}
_WORD = re.compile(r"[^\s,]+")


def read_lm63(text: str) -> PhotometricFile:
    """Read an LM-63 file; raise PhotometricFileError, and no other error, for any other text."""
    lines = text.removeprefix("\ufeff").splitlines()
    tilt_line, tilt = _tilt(lines)
    numbers = NumberReader(_words(lines, tilt_line), tilt_line)
    if tilt == "INCLUDE":
        _skip_tilt(numbers)
    elif tilt != "NONE":
        raise PhotometricFileError(
            f"TILT={tilt[:40]!r} sends to another file; only TILT=NONE and TILT=INCLUDE can be read",
            tilt_line,
        )
    return _measured(numbers)


def _tilt(lines: list[str]) -> tuple[int, str]:
    for place, line in enumerate(lines, start=1):
        word = line.strip()
        if word.upper().replace(" ", "").startswith("TILT="):
            return place, word.partition("=")[2].strip().upper()
    raise PhotometricFileError("this is no LM-63 file: no line begins with TILT=")


def _words(lines: list[str], after: int) -> Iterator[Word]:
    for place, line in enumerate(lines[after:], start=after + 1):
        for word in _WORD.finditer(line):
            yield word[0], place


def _skip_tilt(numbers: NumberReader) -> None:
    """Read and check the tilt factors of the lamp's output, which are not used."""
    numbers.whole("the lamp's place in the luminaire (after TILT=INCLUDE)", 1, 3)
    count = numbers.whole("the count of tilt angles", 1, MOST_ANGLES)
    numbers.rising(count, "a tilt angle", 180)
    for factor in numbers.several(count, "a tilt factor"):
        if factor < 0:
            raise PhotometricFileError(f"a tilt factor cannot be {factor:g}", numbers.line)


def _measured(numbers: NumberReader) -> PhotometricFile:
    lamps = numbers.whole("the number of lamps", 1, 10_000)
    lumens = numbers.take("the lumens of a lamp")
    absolute = lumens < 0
    if not absolute and lumens == 0:
        raise PhotometricFileError("the lumens of a lamp are above 0, or -1 in absolute files", numbers.line)
    factor = _above_0(numbers, "the candela multiplier")
    v_count = numbers.whole("the count of vertical angles", 2, MOST_ANGLES)
    h_count = numbers.whole("the count of horizontal angles", 1, MOST_ANGLES)
    kind = numbers.whole("the photometric type", 1, 3)
    if kind != 1:
        raise PhotometricFileError(
            f"photometric type {kind} is type {_TYPES[kind]}; only type C (1) can be read", numbers.line
        )
    unit_m = METRES_PER_UNIT[numbers.whole("the units type", 1, 2)]
    width_m, length_m = (unit_m * numbers.take(f"the {side} of the opening") for side in ("width", "length"))
    numbers.take("the height of the opening")
    factor *= _above_0(numbers, "the ballast factor")
    factor *= _above_0(numbers, "the second factor (ballast-lamp, later for future use)")
    numbers.take("the input watts")
    angles = numbers.rising(v_count, "vertical angle", 180)
    if angles[0] != 0:
        raise PhotometricFileError(
            f"vertical angles start at {angles[0]:g}; a head is aimed along vertical angle 0", numbers.line
        )
    planes = numbers.rising(h_count, "horizontal angle", 360)
    candela = numbers.table(h_count, v_count) * factor
    return PhotometricFile(
        angles_deg=tuple(angles),
        planes_deg=tuple(planes),
        candela=candela,
        lamp_lumens=None if absolute else lamps * lumens,
        opening_m=_opening_m(width_m, length_m),
    )


def _above_0(numbers: NumberReader, what: str) -> float:
    value = numbers.take(what)
    if value <= 0:
        raise PhotometricFileError(f"{what} must be above 0, not {value:g}", numbers.line)
    return value


def _opening_m(width_m: float, length_m: float) -> float | None:
    """Return the diameter of a disc with the area of the opening [m].

    A negative size marks a round opening. Its diameter stands in both sizes, or in one of them with 0 in the
    other; two sizes that differ are the axes of an ellipse.
    """
    longer, shorter = sorted((abs(width_m), abs(length_m)), reverse=True)
    if shorter > 0 and (width_m < 0 or length_m < 0):
        return opening_diameter_m(math.sqrt(longer * shorter), 0.0)
    return opening_diameter_m(longer, shorter)
