"""Aperture, shutter, ratio and mains, as people type them."""

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
    split_list,
)
from fillside.rig.notation import ratio_number, shutter_seconds

MAINS: dict[str, tuple[float, float, float]] = {
    "230/50": (230.0, 50.0, 16.0),
    "120/60": (120.0, 60.0, 15.0),
    "100/50": (100.0, 50.0, 15.0),
    "100/60": (100.0, 60.0, 15.0),
    "220/60": (220.0, 60.0, 16.0),
}
"""Mains volts and hertz, with the usual breaker of a wall socket [A]."""
MAINS_BY_VOLTS = ((90, 107, "100"), (108, 130, "120"), (200, 250, "230"))
"""Least and most volts that people state, and the mains these mean."""
MAINS_BY_PLACE = {
    **dict.fromkeys(("us", "usa", "america", "north america", "canada", "mexico", "taiwan"), "120/60"),
    **dict.fromkeys(
        split_list("""
    uk, europe, eu, germany, france, spain, italy, australia, new zealand, india, china, south africa
"""),
        "230/50",
    ),
    **dict.fromkeys(("korea", "south korea", "philippines"), "220/60"),
    **dict.fromkeys(("japan", "tokyo"), "100/50"),
    "osaka": "100/60",
}
_OF_MAINS = split_list("""
    mains, from, in, and, ac, volt mains, power, household, usual, normal, ordinary, standard, wall,
    socket, sockets, outlet, outlets
""")
ANGLES_DEG = (45.0, 90.0, 144.0, 172.8, 180.0, 216.0, 270.0, 360.0)
"""Numbers that mean a shutter angle when they stand alone."""
FASTEST_S, SLOWEST_S = 1 / 8000, 1 / 2


def mains(text: str, _: Answers) -> Meaning:
    """Read mains from volts, hertz, both, or a country.

    >>> mains("120V", {}).value, mains("60 hz", {}).value, mains("UK", {}).note
    ('120/60', '120/60', 'read as 230 V, 50 Hz')
    """
    line = remove_words(normalize(text), (*FILLER_WORDS, *_OF_MAINS))
    word = MAINS_BY_PLACE.get(line) or _mains_of(line)
    if word is None:
        raise ValueError(f"{text.strip()!r} is not mains such as 120 V, 230 V 50 Hz or 100/60")
    volts, hertz, _amps = MAINS[word]
    as_typed = line.replace(" ", "") in (word, f"{volts:.0f}v{hertz:.0f}hz", f"{volts:.0f}v,{hertz:.0f}hz")
    return Meaning(word, "" if as_typed else f"read as {volts:.0f} V, {hertz:.0f} Hz")


def _mains_of(line: str) -> str | None:
    found = re.fullmatch(
        r"(?:(\d{2,3})(?:\s*-\s*\d{3})?\s*(?:v|vac|volts?)?)?[\s/,@]*(?:(50|60)\s*(?:hz|hertz|cycles)?)?",
        line,
    )
    if found is None or not line or line in ("50", "60"):
        return {"50": "230/50", "60": "120/60"}.get(line)
    if found[1] is None:
        return "230/50" if found[2] == "50" else "120/60"
    named = next((to for least, most, to in MAINS_BY_VOLTS if least <= int(found[1]) <= most), None)
    if named is None:
        return None
    usual = {"100": "50", "120": "60", "230": "50"}[named]
    hertz = found[2] or usual
    if named == "230" and hertz == "60":
        named = "220"
    return f"{named}/{hertz}" if f"{named}/{hertz}" in MAINS else None


def aperture(text: str, _: Answers) -> Meaning:
    """Read an f-number; a T-number counts as one.

    >>> aperture("F 4.0", {}).value, aperture("5,6", {}).value
    (4.0, 5.6)
    """
    line = remove_words(normalize(text), (*FILLER_WORDS, "aperture", "stop", "at", "wide open"))
    found = re.fullmatch(r"(?:([ft])\s*[-/:]?)?\s*(\d+(?:[.,]\d+)?|[.,]\d+)", line)
    if found is None:
        raise ValueError(f"{text.strip()!r} is not an aperture such as f/4 or 2.8")
    value = parse_number(found[2])
    if not 0.7 <= value <= 16:
        raise ValueError(f"an aperture goes from f/0.7 to f/16, not f/{short_number(value)}")
    return Meaning(
        value, "" if found[1] == "f" and not has_number_words(text) else f"read as f/{short_number(value)}"
    )


class Shutter(NamedTuple):
    """A shutter as the rig file takes it: `text` is its time as ``1/50``, or its angle in degrees."""

    text: str
    angle: bool = False

    def seconds(self, fps: float) -> float:
        """Return the exposure time [s] at a frame rate [Hz]."""
        return float(self.text) / 360 / fps if self.angle else shutter_seconds(self.text)


_FRAMES = re.compile(
    rf"[\s,@]*(?:\b(?:at|and|with)\s+)?({NUMBER})\s*(?:fps|p|frames?(?: (?:a|per) second)?|f/s)$"
)
MOST_FPS = 1000.0


def shutter(text: str, _: Answers) -> Meaning:
    """Read a shutter time as a fraction, its denominator alone, seconds or milliseconds; or an angle.

    The frame rate may follow; it becomes the answer to ``fps``.

    >>> shutter("50", {}).value, shutter("180 deg", {}).value, shutter("20 ms", {}).note
    (Shutter(text='1/50', angle=False), Shutter(text='180', angle=True), 'read as 1/50 s')
    >>> shutter("180 degrees at 24 fps", {}).extra
    {'fps': 24.0}
    """
    line = normalize(text)
    frames = _FRAMES.search(line)
    if frames is None or not frames.start():
        return _shutter(text, line)
    fps = parse_number(frames[1])
    if not 1 <= fps <= MOST_FPS:
        raise ValueError(f"a frame rate goes from 1 to {MOST_FPS:.0f} a second, not {short_number(fps)}")
    found = _shutter(text, line[: frames.start()])
    opening: Shutter = found.value
    read_back = f"{opening.text}°" if opening.angle else f"{opening.text} s"
    if opening.seconds(fps) > 1 / fps + 1e-9:
        raise ValueError(f"at {short_number(fps)} frames a second no shutter is open for {read_back}")
    return Meaning(opening, f"read as {read_back} at {fps:g} frames a second", {"fps": fps})


def _shutter(text: str, line: str) -> Meaning:
    """Read the shutter from a normalized line without the frame rate; `text` is the line as typed."""
    line = remove_words(
        line, (*FILLER_WORDS, "shutter", "at", "speed", "angle", "of a second", "of a sec", "a")
    )
    found = re.fullmatch(
        rf"(?:1\s*/\s*)?({NUMBER})\s*(°|deg|degs|degrees?|s|sec|secs|seconds?|ms|th)?(?:\s*(?:s|sec|seconds?))?",
        line,
    )
    if found is None or "/" in found[1]:
        raise ValueError(f"{text.strip()!r} is not a shutter such as 1/50 or 180°")
    value, unit, fraction = parse_number(found[1]), found[2] or "", line.startswith(("1/", "1 /"))
    degrees = unit in ("°", "deg", "degs", "degree", "degrees")
    if not fraction and (degrees or (not unit and value in ANGLES_DEG)):
        if not 5 <= value <= 360:
            raise ValueError(f"a shutter angle goes from 5 to 360°, not {short_number(value)}°")
        return Meaning(
            Shutter(short_number(value), True),
            "" if degrees else f"read as {short_number(value)}°; 1/{short_number(value)} is a time",
        )
    if fraction or unit == "th" or (not unit and value >= 2):
        seconds = 1 / value if value else 0.0
    else:
        seconds = value / 1000 if unit == "ms" else value
    if not FASTEST_S <= seconds <= SLOWEST_S:
        raise ValueError(f"a shutter goes from 1/8000 to 1/2 s, so {text.strip()!r} is not one")
    written = f"1/{short_number(1 / seconds)}"
    return Meaning(Shutter(written), "" if fraction else f"read as {written} s")


RATIO_WORDS = {
    **dict.fromkeys(("even", "flat", "equal", "same on both sides", "no ratio"), "1:1"),
    **dict.fromkeys(("double", "twice", "twice as much", "twice as bright"), "2:1"),
    **dict.fromkeys(("triple", "thrice"), "3:1"),
}
_STOPS = re.compile(
    rf"([+-]?)({NUMBER}|an?)\s*(?:stops?|evs?|f-stops?)(?: more| over| brighter| difference)*"
)
_TO = re.compile(rf"({NUMBER})\s*-?\s*(?::|to|/|over|on|x|times|-)\s*-?\s*({NUMBER})?")


def ratio(text: str, _: Answers) -> Meaning:
    """Read a ratio of key to fill into the form of the rig file: ``3:1``, or stops.

    >>> ratio("3 to 1", {}).value, ratio("one and a half stops", {}).value, ratio("3", {}).note
    ('3:1', '1.5 stops', 'read as 3:1')
    """
    line = remove_words(
        normalize(text),
        (*FILLER_WORDS, "ratio", "key to fill", "key:fill", "key", "fill", "a ratio of", "of"),
    )
    written = RATIO_WORDS.get(line)
    if written is None and (stops := _STOPS.fullmatch(line)):
        value = 1.0 if stops[2] in ("a", "an") else parse_number(stops[2])
        written = f"{stops[1].strip('+')}{value:.6g} {'stop' if value == 1 else 'stops'}"
    elif written is None and (sides := _TO.fullmatch(line) or re.fullmatch(rf"({NUMBER})()", line)):
        written = _sides(sides[1], sides[2] or "1")
    if written is None:
        raise ValueError(f"{text.strip()!r} is not a ratio such as 3:1, 2 to 1 or 1 stop")
    asked = ratio_number(written, "key:fill")
    as_typed = line.replace(" ", "") == written.replace(" ", "") and not has_number_words(text)
    note = "" if as_typed else f"read as {written}"
    if asked < 1:
        note = f"read as {written}: the fill brighter than the key"
    return Meaning(written, note)


def _sides(left: str, right: str) -> str:
    if "/" in left and right == "1":
        left, _, right = left.rpartition("/")
        if " " in left:
            return f"{parse_number(f'{left}/{right}'):.4g}:1"
    return f"{parse_number(left):.4g}:{parse_number(right):.4g}"
