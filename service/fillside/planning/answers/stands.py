"""A stand's place as people give it: distance from the face, angle and side, height."""

from __future__ import annotations

import math
import re
from typing import Any

from fillside.planning.answers.lengths import LengthReader
from fillside.planning.answers.question import AnswerReader, Answers, Meaning
from fillside.planning.answers.typed_line import (
    FILLER_WORDS,
    NUMBER,
    closest_word,
    has_number_words,
    normalize,
    parse_number,
    remove_words,
    split_list,
)
from fillside.planning.figures import Lengths

SITTING_EYES_M, STANDING_EYES_M = 1.2, 1.6


def eyes_m(answers: Answers) -> float:
    """Return the height of the subject's eyes [m], half a metre or more under the ceiling."""
    return min(STANDING_EYES_M if answers["stands"] else SITTING_EYES_M, float(answers["ceiling"]) - 0.5)


DISTANCE = LengthReader(0.3, 14.0, "the distance")
ROUND_DEG = {
    **dict.fromkeys(
        ("front", "straight", "frontal", "straight on", "head on", "on axis", "on-axis", "in front"), 0.0
    ),
    **dict.fromkeys(
        (
            "at the camera",
            "at camera",
            "beside camera",
            "next to camera",
            "beside the camera",
            "next to the camera",
            "camera",
            "on camera",
        ),
        0.0,
    ),
    **dict.fromkeys(("3 quarter", "3-quarter", "3/4", "3 quarters"), 45.0),
    **dict.fromkeys(("side", "sideways", "profile", "90 side", "square", "right angle"), 90.0),
    **dict.fromkeys(("3/4 back", "3 quarter back", "kicker", "rim"), 135.0),
    **dict.fromkeys(("back", "behind", "rear", "directly behind", "from behind", "straight behind"), 180.0),
}
"""Angles round the subject, from the camera, by the words for them [degrees]."""
SIDES = {
    **dict.fromkeys(("left", "l", "lhs", "camera left", "cam left", "screen left", "frame left"), -1),
    **dict.fromkeys(("right", "r", "rhs", "camera right", "cam right", "screen right", "frame right"), 1),
}
_TURNED = r"(?:subject'?s?|stage|his|her|their|talent'?s?|sitter'?s?)"
_SIDE = re.compile(
    rf"(?:({_TURNED})\s+)?(?<![a-z])"
    r"(camera left|camera right|cam left|cam right|left|right|lhs|rhs|l|r)(?![a-z])"
)
_DEGREES = re.compile(rf"([+-]?)\s*({NUMBER})\s*(?:°|deg|degs|degrees?|grad)?")
_SKIP = (
    *FILLER_WORDS,
    *split_list("""
    angle, to, from, of, the, side, round, around, at, in, on, and, as, camera's, sees, see, it, sits,
    stands, a, bit, slightly, seen, off, axis, degree, hand, camera
"""),
)
_CLOCK = re.compile(r"(\d{1,2})(?: |-)?(?:o'?\s?clock|oclock)")


def angle(role: str, usual_deg: float) -> AnswerReader:
    """Return a reader of a head's angle round from the camera [degrees], to the camera's right above 0.

    A number without a side is on the role's usual side, for the fill across from the key; a side alone is at
    the usual angle. On the clock, seen from above, the camera is at six.

    >>> angle("key", 45.0)("30 left", {}).value, angle("key", 45.0)("4 o'clock", {}).value
    (-30.0, 60.0)
    """

    def reads(text: str, answers: Answers) -> Meaning:
        line = " ".join(closest_word(word, SIDES) or word for word in normalize(text).split())
        side = _side_of(line, answers)
        usual = usual_deg
        if role == "fill" and answers.get("key.angle"):
            usual = -abs(usual_deg) if answers["key.angle"] > 0 else abs(usual_deg)
        degrees = _degrees_of(_SIDE.sub(" ", line) if side else line, abs(usual) if side else None)
        if degrees is None:
            raise ValueError(f"{text.strip()!r} is not such as 45 left, 30° right, behind or 4 o'clock")
        if not -180 <= degrees <= 180:
            raise ValueError(f"it goes from 0 in front to 180° behind, not {abs(degrees):g}°")
        clock = _CLOCK.search(line) is not None
        if side:
            signed = side * abs(degrees)
        else:
            signed = degrees if clock or line.startswith(("-", "+")) else (1 if usual >= 0 else -1) * degrees
        highest = answers["ceiling"] - eyes_m(answers) if "ceiling" in answers else 0.0
        _before_the_wall(role, signed, highest, answers)
        typed = re.sub(r"\s|°|deg(?:rees)?", "", line)
        read_back = angle_text(signed)
        as_typed = typed == re.sub(r"\s|°", "", read_back) and not has_number_words(text)
        return Meaning(signed, "" if as_typed else f"read as {read_back}")

    return reads


def _side_of(line: str, answers: Answers) -> int:
    found = _SIDE.search(line)
    if found is not None:
        return SIDES[found[2]] * (-1 if found[1] else 1)
    across = re.search(r"\b(?:other|opposite|across|far) ?(?:side)?\b", line)
    key = answers.get("key.angle")
    return 0 if across is None or not key else (-1 if key > 0 else 1)


def _degrees_of(line: str, alone: float | None) -> float | None:
    clock = _CLOCK.search(line)
    if clock is not None and 1 <= int(clock[1]) <= 12:
        return 30.0 * ((6 - int(clock[1]) + 5) % 12 - 5)
    if (word := remove_words(line, FILLER_WORDS)) in ROUND_DEG:
        return ROUND_DEG[word]
    rest = remove_words(line, (*_SKIP, "other", "opposite", "across", "far"))
    if rest in ROUND_DEG:
        return ROUND_DEG[rest]
    if not rest:
        return alone
    found = _DEGREES.fullmatch(rest)
    return None if found is None else (-1 if found[1] == "-" else 1) * parse_number(found[2])


def _before_the_wall(role: str, degrees: float, above_m: float, answers: Answers) -> None:
    """Raise ValueError for a place in the wall, for a head at this height above the eyes [m]."""
    wall, away = answers.get("wall"), answers.get(f"{role}.distance")
    if wall is None or away is None:
        return
    floor = math.sqrt(max(0.0, away**2 - above_m**2))
    if -math.cos(math.radians(degrees)) * floor >= wall:
        show = Lengths(bool(answers.get("feet"))).long
        raise ValueError(f"that is in the wall, {show(wall)} behind the face; back changes the distance")


def angle_text(degrees: float) -> str:
    """Format an angle with its side, as in prompts.

    >>> angle_text(45.0), angle_text(-30.0), angle_text(0.0)
    ('45° right', '30° left', '0°')
    """
    side = "" if degrees % 180 == 0 else (" right" if degrees > 0 else " left")
    return f"{abs(degrees):g}°{side}"


def bearing_text(degrees: float) -> str:
    """Format an angle in words that make sense without the question.

    >>> bearing_text(45.0), bearing_text(-30.0), bearing_text(180.0)
    ("45° to the camera's right", "30° to the camera's left", 'straight behind')
    """
    if degrees % 180 == 0:
        return "straight behind" if degrees else "straight before it"
    return f"{abs(degrees):g}° to the camera's {'right' if degrees > 0 else 'left'}"


_EYES = r"(?:eyes?|face|head|subject)(?:[ -]?(?:level|line|height))?"
_ABOVE = re.compile(rf"(.*?)\s*(above|over|below|under)(?: (?:their|his|her|subject's))? {_EYES}")
_LEVEL = re.compile(rf"(?:(?:same|level|with|as|their|his|her|height|of|on)\s*)*(?:{_EYES}|level|height)")


def height(role: str) -> AnswerReader:
    """Return a reader of the height of a head's middle [m], from the floor or from the eyes.

    The reader raises ValueError for a height that the distance from the face cannot reach, or above the
    ceiling.
    """

    def reads(text: str, answers: Answers) -> Meaning:
        eyes, away, ceiling = eyes_m(answers), answers[f"{role}.distance"], answers["ceiling"]
        highest = min(ceiling - 0.02, eyes + away)
        own = LengthReader(max(0.1, eyes - away), highest, "so near the face, under this ceiling, the height")
        line = remove_words(
            normalize(text),
            (*FILLER_WORDS, "at", "up", "high", "tall", "above the floor", "off the floor", "from the floor"),
        )
        feet, above = bool(answers.get("feet")), _ABOVE.fullmatch(line)
        counted = above is not None or _LEVEL.fullmatch(line) is not None
        if above is not None:
            by = LengthReader(0.0, 6.0, "the height").metres(above[1], feet)
            line = f"{eyes + (by if above[2] in ('above', 'over') else -by):.4f} m"
        elif counted:
            line = f"{eyes:.4f} m"
        found = own(line, answers)
        _before_the_wall(role, answers.get(f"{role}.angle", 0.0), found.value - eyes, answers)
        if counted:
            found = Meaning(found.value, f"read as {Lengths(feet).long(found.value)} from the floor")
        return found

    return reads


_HIGH = re.compile(r"\b(?:high|up|tall|height|eyes?|eye-level|above)\b")
_ROUND = re.compile(r"°|\b(?:deg|degs|degrees?|left|right|camera|behind|front|side|o'?clock)\b")


_BETWEEN = re.compile(r"[,;]\s+|\s+at\s+|\s+and\s+(?=\D*\d+\s*(?:°|deg|m\b))")
_ONE_SIDE = r"(?:to |the |on |camera |cam )*(?:left|right|l|r)(?![a-z])"
_DEG = r"(?:°|(?:deg|degs|degrees?)\b)"
_RUN_ON = re.compile(
    r"(?:([\d.,].*?)\s+)?"
    rf"({NUMBER}\s*{_DEG}?\s*{_ONE_SIDE}|{NUMBER}\s*{_DEG}|(?<![\d°] ){_ONE_SIDE}(?: \d\d\d?(?!\S))?)"
    r"(?:\s+(?:and )?([\d.,].*))?"
)
"""Distance, angle and height without commas: the angle is the part with a side or degrees."""


def _parts(line: str) -> list[str]:
    """Return distance, angle and height as typed, with commas between them or without."""
    found: list[str] = []
    for part in filter(None, _BETWEEN.split(line)):
        run_on = _RUN_ON.fullmatch(part)
        found += [part] if run_on is None else [piece for piece in run_on.groups() if piece]
    return found


def distance(role: str, usual_deg: float) -> AnswerReader:
    """Return a reader of a head's distance from the face [m]; angle and height may follow after commas.

    >>> distance("key", 45.0)("1,5 m, 30 left, 2 m", {"stands": False, "ceiling": 2.5}).extra
    {'angle': -30.0, 'height': 2.0, 'feet': False}
    >>> distance("key", 45.0)("6 ft 35 right 5 ft", {"stands": False, "ceiling": 2.5}).note
    'read as 6′ 0″, 35° right, 5′ 0″ high'
    """

    def reads(text: str, answers: Answers) -> Meaning:
        parts = _parts(normalize(text))
        if parts and _ROUND.search(parts[0]):
            raise ValueError(
                "first how far from the face, such as 1.5 m; angle and height may follow after commas"
            )
        first = DISTANCE(parts[0] if parts else text, answers)
        if len(parts) <= 1:
            return first
        if len(parts) > 3:
            raise ValueError(f"{text.strip()!r} is more than distance, angle and height")
        known = {**answers, **first.extra, f"{role}.distance": first.value}
        also: dict[str, Any] = {}
        for part in parts[1:]:
            high = _HIGH.search(part) or (not _ROUND.search(part) and "angle" in also)
            key, own = ("height", height(role)) if high else ("angle", angle(role, usual_deg))
            also[key] = own(part, known).value
        show = Lengths(bool(known.get("feet"))).long
        read = [show(first.value)]
        read += [angle_text(also["angle"])] if "angle" in also else []
        read += [f"{show(also['height'])} high"] if "height" in also else []
        return Meaning(first.value, f"read as {', '.join(read)}", {**also, **first.extra})

    return reads
