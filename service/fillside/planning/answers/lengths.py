"""Lengths as people type them, metric or in feet and inches, and requests to change units."""

from __future__ import annotations

import re
from typing import NamedTuple

from fillside.planning.answers.question import Answers, Meaning
from fillside.planning.answers.typed_line import (
    FILLER_WORDS,
    NUMBER,
    has_number_words,
    normalize,
    parse_number,
    remove_words,
    short_number,
)
from fillside.planning.equipment.modifiers import disc_diameter_m
from fillside.planning.figures import Lengths

METRES: dict[str, float] = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters", "mtr", "mtrs"), 1.0),
    **dict.fromkeys(("cm", "cms", "centimetre", "centimetres", "centimeter", "centimeters"), 0.01),
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), 0.001),
    **dict.fromkeys(("ft", "foot", "feet", "'"), 0.3048),
    **dict.fromkeys(("in", "ins", "inch", "inches", '"'), 0.0254),
    **dict.fromkeys(("yd", "yds", "yard", "yards"), 0.9144),
}
"""Metres in each unit of length that is understood; foot, inch and yard exact by the agreement of 1959."""
FOOT_M, INCH_M, YARD_M = METRES["ft"], METRES["in"], METRES["yd"]
FEET_WORDS = ("feet", "ft", "foot", "in feet", "feet and inches", "imperial", "inches")
METRIC_WORDS = ("metres", "meters", "metric", "m", "cm", "in metres", "in meters")

_UNITS = "|".join(sorted((re.escape(word) for word in METRES), key=len, reverse=True))
_NEXT = re.compile(r"(?:and |, ?|- ?)")
_PART = re.compile(rf"\s*({NUMBER}|an?\b)\s*(?:({_UNITS})(?![a-z])\.?)?")
_AWAY = (
    *FILLER_WORDS,
    "away",
    "from",
    "face",
    "subject",
    "camera",
    "wall",
    "high",
    "tall",
    "wide",
    "across",
    "off",
)
_RECTANGLE = re.compile(rf"({NUMBER})\s*({_UNITS})?\s*(?:x|by)\s*({NUMBER})\s*({_UNITS})?")


class UnitsError(ValueError):
    """A request for other units in place of a length: feet and inches if `feet`, otherwise metric."""

    def __init__(self, feet: bool) -> None:
        super().__init__(f"lengths are in {'feet and inches' if feet else 'metres'} from here on")
        self.feet = feet


class Length(NamedTuple):
    """A length in metres, and the unit of its first part in metres; None for a number without one."""

    metres: float
    unit_m: float | None

    @property
    def feet(self) -> bool | None:
        """True for a length in feet or inches, False for a metric one, None without a unit."""
        return None if self.unit_m is None else self.unit_m in (FOOT_M, INCH_M, YARD_M)


def length_of(text: str) -> Length:
    """Return a length with its unit; a number without a unit counts as metres.

    Raises ValueError for other text.

    >>> length_of("5'6\\""), length_of("170cm").metres, length_of("1,7 m").metres, length_of("5 ft 6").feet
    (Length(metres=1.6764, unit_m=0.3048), 1.7, 1.7, True)
    """
    rest = remove_words(normalize(text), _AWAY)
    parts: list[tuple[float, float | None]] = []
    while rest and (part := _PART.match(rest)) is not None:
        value = 1.0 if part[1] in ("a", "an") else parse_number(part[1])
        unit = METRES[part[2]] if part[2] else _implied(parts, part[1])
        if parts and (unit is None or unit >= (parts[-1][1] or 0.0)):
            break
        parts.append((value, unit))
        rest = rest[part.end() :].strip()
        rest = _NEXT.sub("", rest, count=1) if _NEXT.match(rest) else rest
    if rest or not parts:
        raise ValueError(f"{text.strip()!r} is not a length such as 1.2 m, 90 cm, 4 ft or 5'6\"")
    metres = sum(value * (unit or 1.0) for value, unit in parts)
    return Length(round(metres, 6), parts[0][1])


def _implied(parts: list[tuple[float, float | None]], digits: str) -> float | None:
    """Return the unit of a number without one: inches after feet, centimetres after metres (two digits)."""
    if not parts:
        return None
    if parts[-1][1] == FOOT_M:
        return INCH_M
    return 0.01 if parts[-1][1] == 1.0 and re.fullmatch(r"\d\d", digits) else None


def length_m(text: str) -> float:
    """Return a length in metres; plain numbers are metres.

    >>> length_m("1.2"), length_m("90 cm"), length_m("33 in"), length_m("1m70")
    (1.2, 0.9, 0.8382, 1.7)
    """
    return length_of(text).metres


class LengthReader:
    """Reads a length within two bounds [m].

    A plain number is in the current units, or in the smaller one of them.
    """

    def __init__(self, least_m: float, most_m: float, what: str) -> None:
        self.least_m, self.most_m, self.what = least_m, most_m, what

    def __call__(self, text: str, answers: Answers) -> Meaning:
        line = remove_words(normalize(text), FILLER_WORDS)
        if line in FEET_WORDS or line in METRIC_WORDS:
            raise UnitsError(line in FEET_WORDS)
        feet = bool(answers.get("feet"))
        metres, typed_in = self.metres(line, feet), length_of(line).feet
        note = ""
        if typed_in is None or has_number_words(text):
            note = f"read as {Lengths(feet if typed_in is None else typed_in).long(metres)}"
            note += "" if feet or typed_in is not None or metres == length_m(line) else " (centimetres)"
        return Meaning(metres, note, {} if typed_in is None else {"feet": typed_in})

    def metres(self, text: str, feet: bool) -> float:
        """Return the length in metres; raises ValueError outside the bounds."""
        found = length_of(text)
        units: tuple[float, ...] = (1.0,)
        if found.unit_m is None:
            units = (FOOT_M, INCH_M) if feet else (1.0, 0.01)
        fitting = [found.metres * unit for unit in units if self._fits(found.metres * unit)]
        if not fitting:
            show = Lengths(feet).long
            asked = show(found.metres * units[0]) if found.unit_m is None else text.strip()
            raise ValueError(
                f"{self.what} goes from {show(self.least_m)} to {show(self.most_m)}, not {asked}"
            )
        return fitting[0]

    def _fits(self, metres: float) -> bool:
        return self.least_m - 1e-9 <= metres <= self.most_m + 1e-9


class LitFaceWidth(NamedTuple):
    """The lit face of a modifier: its width as a disc [m], and its size in words."""

    width_m: float
    size: str


def face_of(text: str, reads: LengthReader, feet: bool) -> LitFaceWidth:
    """Read a width, or a rectangle such as ``60 x 90 cm`` as the disc of equal area.

    >>> face_of("60x90", LengthReader(0.02, 4.5, "the width"), feet=False).size
    '0.60 by 0.90 m (lights as a disc of 0.83 m)'
    """
    line, show = remove_words(normalize(text), FILLER_WORDS), Lengths(feet).long
    sides = _RECTANGLE.fullmatch(line)
    if sides is None:
        across = reads.metres(line, feet)
        return LitFaceWidth(across, show(across))
    unit = sides[4] or sides[2] or ""
    w = reads.metres(f"{sides[1]} {sides[2] or unit}", feet)
    h = reads.metres(f"{sides[3]} {unit}", feet)
    disc = disc_diameter_m(w, h)
    return LitFaceWidth(
        disc, f"{show(w) if feet else f'{w:.2f}'} by {show(h)} (lights as a disc of {show(disc)})"
    )


def default_length(metres: float, feet: bool) -> str:
    """Format a default length for a prompt: metric, or to the half foot, or under 2 ft to the inch.

    >>> default_length(2.4, False), default_length(2.4, True), default_length(0.15, True)
    ('2.4 m', '8′ 0″', '0′ 6″')
    """
    if not feet:
        return f"{short_number(metres)} m"
    step = 0.5 * FOOT_M if metres > 2 * FOOT_M else INCH_M
    return Lengths(feet=True).long(round(metres / step) * step)
