"""The modifier on a lamp, in the trade's words, and the width of its lit face."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import NamedTuple

from fillside.planning.answers.lengths import METRES, LengthReader, LitFaceWidth, face_of
from fillside.planning.answers.question import Answers, Meaning
from fillside.planning.answers.typed_line import (
    FILLER_WORDS,
    NUMBER,
    ScannedWord,
    UnknownWordError,
    WordPatterns,
    compile_rows,
    normalize,
    parse_number,
    scan,
    split_list,
)

MODIFIER_ROWS: dict[str, str] = {
    "reflective": r"(?:deep )?(?:silver|gold|black|reflective|bounce[d]?|reflecting)(?: umbrellas?| brolly)?"
    r"|umbrellas? (?:bounced?|reflective|reflecting|silver)|(?:poly|foam|v-?)\s?(?:board|core|flat)"
    r"|bounced?(?: board)?",
    "shoot-through": r"shoot-?\s?th(?:rough|ru)(?: umbrellas?| brolly)?"
    r"|(?:white|translucent|diffus(?:e|ion|ing)) umbrellas?|scrims?|silks?|diffus(?:er|ion)(?: frame)?",
    "umbrella": r"umbrellas?|brolly|brollies",
    "beauty": r"beauty(?: dish(?:es)?)?|dish(?:es)?",
    "softbox": r"(?:rectangular |square |strip ?)?soft-?\s?box(?:es)?|oct[ao](?:box|gon|s)?"
    r"|strip ?box(?:es)?|box",
    "lantern": r"(?:paper |china )?(?:lanterns?|china ?balls?|balls?)",
    "bare": r"bare(?: bulb)?|naked|(?:none|nothing)(?: at all| on it)?|no modifier|no"
    r"|without(?: anything)?|unmodified",
    "panel": r"(?:led |flat |soft )?panels?|mats?",
    "reflector": r"(?:standard |metal |open )?reflectors?|bowls?|fresnels?|spot(?:light)?s?|snoots?"
    r"|barn-?\s?doors?|grids?|honeycombs?|clamp(?: lights?)?|open[ -]?faced?"
    r"|lens(?:es)?|(?:desk lamp )?shade",
}
_UNITS = "|".join(sorted((re.escape(unit) for unit in METRES), key=len, reverse=True))
FACE: dict[str, str] = {
    "rectangle": rf"{NUMBER}\s*(?:{_UNITS})?\s*(?:x|by)\s*{NUMBER}\s*(?:{_UNITS}(?![a-z]))?",
    "width": rf"{NUMBER}\s*(?:{_UNITS})(?![a-z])(?:\s*\d+\s*(?:in|\"))?",
}
ROWS: WordPatterns = compile_rows({**FACE, **MODIFIER_ROWS, "number": r"\d+(?:[.,]\d+)?"})
VOCABULARY = split_list("""
    umbrella, softbox, octabox, octagon, reflector, reflective, panel, lantern, fresnel, spotlight,
    beauty, diffuser, diffusion, shoot-through, silver, snoot, honeycomb, nothing
""")
_SKIP = (
    *FILLER_WORDS,
    *split_list("""
    a, an, and, of, with, in, on, at, to, from, diameter, dia, wide, width, across, deep, large, medium,
    small, big, modifier, modified, led, lamp, light, i, have, has, put, through, some, kind, one, only,
    just, simple, round, white, it
"""),
)
KINDS = {"umbrella": "shoot-through", "beauty": "reflector", "lantern": "softbox"}
"""Kinds of modifier by their other names."""
NAMES = {
    "umbrella": ("shoot-through umbrella", "; say silver umbrella if the lamp shines into it"),
    "lantern": ("softbox", ", which a lantern is most like: closed"),
    "beauty": ("reflector", ""),
    "reflective": ("reflective umbrella", ""),
}
"""Text that reads these back, with the alternative to offer."""
WIDTH = LengthReader(0.02, 4.5, "the width")
USUAL_WIDTH_M = {"shoot-through": 0.9, "reflective": 1.0, "softbox": 0.8, "panel": 0.3, "reflector": 0.18}
"""Default width of the lit face by kind (common practice, no source)."""
MOST_INCHES = 84
"""No softbox is longer in inches than this (common practice, no source)."""
MODIFIER_EXAMPLES = "bare, umbrella 1 m, softbox 60x90 cm, reflector, panel"


class ModifierAnswer(NamedTuple):
    """A modifier as stated in a line: kind and width [m], None where missing, and both in words."""

    kind: str | None
    width_m: float | None
    words: str


def modifier_in(words: Iterable[ScannedWord], feet: bool) -> ModifierAnswer:
    """Return the modifier in the recognized words; of several kinds, the first."""
    row_of_kind, face = "", LitFaceWidth(0.0, "")
    for row, match in words:
        if row in FACE or row == "number":
            face = face_of(_in_units(match[0], feet) if row == "rectangle" else match[0], WIDTH, feet)
        elif not row_of_kind or (row_of_kind == "panel" and row == "softbox"):
            row_of_kind = row
    name, hint = NAMES.get(row_of_kind, (row_of_kind, ""))
    read_back = ", ".join(part for part in (name, face.size) if part)
    return ModifierAnswer(
        KINDS.get(row_of_kind, row_of_kind) or None, face.width_m or None, f"{read_back}{hint}"
    )


def _in_units(text: str, feet: bool) -> str:
    """Add a unit to a rectangle without one: from 10 on centimetres, or inches where feet are in use."""
    if re.search(r"[a-z'\"]", text.replace("x", "").replace("by", "")):
        return text
    sides = [parse_number(part) for part in re.findall(NUMBER, text)]
    if min(sides) < 10:
        return text
    return f"{text} in" if feet and max(sides) <= MOST_INCHES else f"{text} cm"


def modifier(text: str, answers: Answers) -> Meaning:
    """Read a modifier's kind, and its width where the line states it.

    >>> modifier("umbrella 1 m", {}).value, modifier("60x90 softbox", {}).note
    ('shoot-through', 'read as softbox, 0.60 by 0.90 m (lights as a disc of 0.83 m)')
    """
    feet = bool(answers.get("feet"))
    try:
        found = modifier_in(scan(normalize(text), ROWS, _SKIP, VOCABULARY), feet)
    except UnknownWordError as error:
        raise ValueError(f"{error}; say it such as {MODIFIER_EXAMPLES}") from error
    if found.kind is None:
        raise ValueError(f"{text.strip()!r} is no modifier known here; say it such as {MODIFIER_EXAMPLES}")
    also = {} if found.width_m is None or found.kind == "bare" else {"size": found.width_m}
    return Meaning(found.kind, "" if normalize(text) == found.words else f"read as {found.words}", also)


def width(text: str, answers: Answers) -> Meaning:
    """Read the width of a lit face, or both sides of a rectangular one."""
    line = normalize(text)
    if not re.search(r"\d\D*(?:x|by)\s*\d", line):
        meaning = WIDTH(line, answers)
        return Meaning(meaning.value, meaning.note)
    feet = bool(answers.get("feet"))
    face = face_of(_in_units(line, feet), WIDTH, feet)
    return Meaning(face.width_m, f"read as {face.size}")
