"""A lamp as people name it: kind, power or light, number, white, and permission to dim."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np

from fillside.planning.answers.modifiers import FACE, MODIFIER_ROWS, ModifierAnswer, modifier_in
from fillside.planning.answers.modifiers import VOCABULARY as MODIFIER_VOCABULARY
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
from fillside.planning.answers.yes_no import yes_note, yes_or_no
from fillside.planning.equipment.lamps import EFFICACY_LM_W, INCANDESCENT_WATTS_LM

WHITES_K = {
    "candle": 1900.0,
    "warm": 2700.0,
    "tungsten": 3200.0,
    "neutral": 4000.0,
    "daylight": 5600.0,
    "cool": 6500.0,
}
"""Colour temperature of words for white [K] (common practice, no source; cool as on a lamp's box)."""
KIND_WORDS = {
    "led": "LED",
    "incandescent": "incandescent",
    "halogen": "halogen",
    "cfl": "compact fluorescent",
    "tube": "fluorescent tube",
    "discharge": "discharge lamp",
}
OWN_WHITE_K = {"incandescent": 2700.0, "halogen": 3200.0}
"""Colour temperature of a kind that has only one [K] (common practice, no source)."""
ALWAYS_DIMMABLE = ("incandescent", "halogen")
BULB_WATTS = {"led": 9.0, "incandescent": 60.0, "cfl": 23.0, "halogen": 42.0}
"""Default power of a household bulb by kind [W] (common practice, no source)."""


class LampOutput(NamedTuple):
    """The stated output of one lamp: its lumens, its watts, or both."""

    lumens: float | None
    watts: float | None

    def __str__(self) -> str:
        known = ((self.watts, "W"), (self.lumens, "lm"))
        return ", ".join(f"{value:g} {unit}" for value, unit in known if value is not None)


_AMOUNT = rf"({NUMBER})"
_THINGS = r"(?:bulbs|lamps|tubes|panels|leds|cfls|lights|globes)"
_POWER: dict[str, str] = {
    "count": rf"(\d{{1,3}})\s*(?:x|pcs|pieces)|x\s*(\d{{1,3}})"
    rf"|(?:a )?pair(?: of)?|(\d{{1,2}})(?=\s+\d+(?:[.,]\d+)?\s*(?:w|watts?|lm)\b)"
    rf"|(\d{{1,3}})(?=\s+(?!w\b|watts?\b|lm\b|k\b)(?:[a-z-]+\s+){{0,3}}{_THINGS})",
    "equal": rf"(?:replaces (?:an? )?|equals? |= ?){_AMOUNT}\s*w(?:atts?)?"
    rf"|{_AMOUNT}\s*-?(?:w|watts?)\s*-?\s*(?:equivalent|equiv\.?|eq\.?)",
    "lumens": r"(\d{1,3}(?:[.,]\d{3})+|\d+(?:[.,]\d+)?)\s*(?:lm|lumens?)",
    "kilowatts": r"(\d+(?:[.,]\d+)?)\s*(?:kw|kilowatts?)|(1|2|5|1[.,]2|2[.,]5|10|12|18|20)\s*k(?:s|er)?",
    "watts": rf"{_AMOUNT}\s*-?(?:w|watts?|wat)",
}
_WHITE: dict[str, str] = {
    "two": r"(\d{4,5})\s*k?(?:elvin)?\s*(?:-|to)\s*(\d{4,5})\s*(?:k|kelvin)?"
    r"|bi-?\s?colou?r|tunable(?: white)?|variable(?: white)?|two whites|rgbw?w?|colou?r changing",
    "kelvin": r"(\d{4,5})(?:\s*(?:°\s*)?(?:k|kelvin|kelvins))?|([2-9][.,]\d{1,2})\s*k",
    "candle": r"candle(?:light)?",
    "warm": r"(?:extra |very )?(?:soft|warm)(?: white| light)?",
    "neutral": r"(?:neutral|natural)(?: white)?",
    "daylight": r"day-?\s?light(?: balanced| white)?|full spectrum",
    "cool": r"(?:cool|cold)(?: white| daylight)?",
}
_KIND: dict[str, str] = {
    "flash": r"(?:studio )?(?:flash(?:es|gun)?|strobes?|speed-?\s?lights?|monolights?|monoblocs?)(?: head)?",
    "sun": r"windows?|sun(?:light|shine)?|sky|candles",
    "undimmed": r"(?:not|non|never|un|isn't|cannot be|can't be)[ -]?(?:to be )?dimm(?:able|ed)|no dimming",
    "dimmable": r"dimmable|dims|dimming|can be dimmed|with dimmer",
    "panel": r"(?:led )?(?:light )?panels?|mats?",
    "led": r"leds?|cob|smart(?: led)?|diodes?|ring ?lights?",
    "cfl": r"cfls?|compact fluorescents?|fluorescent (?:bulb|lamp|globe)s?|energy[ -]savers?|spirals?"
    r"|energy[ -]saving(?: bulbs?| lamps?)?",
    "tube": r"(?:fluorescent |led )?tubes?(?: lights?)?|fluorescents?|fluoros?|strip ?lights?|t5|t8|t12",
    "halogen": r"halogens?|quartz|par(?:[ -]?\d\d)?(?: cans?)?|work ?lights?|model(?:l)?ing (?:light|lamp)s?",
    "tungsten": r"tungsten",
    "incandescent": r"incandescents?|filaments?|photofloods?|old[- ]style|glow lamps?",
    "discharge": r"discharge|hmis?|hid|metal halides?|arc|sodium",
    "bulb": r"bulbs?|light-?\s?bulbs?|globes?",
}
_NUMBER = {"number": r"\d+(?:[.,]\d+)?"}
LAMP_ROWS: WordPatterns = (
    *compile_rows({k: v for k, v in MODIFIER_ROWS.items() if k not in ("panel", "bare")}),
    *compile_rows({**_POWER, **_WHITE, **_KIND, **FACE, **_NUMBER}),
)
LIGHT_ROWS, WHITE_ROWS = (
    compile_rows({**_POWER, **_NUMBER}),
    compile_rows({**_WHITE, "tungsten": r"tungsten|halogen|3200"}),
)
VOCABULARY = split_list("""
    fluorescent, fluorescents, incandescent, halogen, tungsten, daylight, strobe, flash, panel, bulb,
    bulbs, filament, discharge, energy, compact, neutral, natural, lumens, lumen, watts, watt, kelvin,
    dimmable, tube, tubes, equivalent, warm, cool, candle, white, tunable
""")
_SKIP = (
    *FILLER_WORDS,
    *split_list("""
    a, an, and, of, with, w/, in, on, at, lamp, lamps, light, lights, each, one, single, old, new,
    white, type, kind, cheap, big, small, head, key, fill, hair, background, household, normal, some,
    the, screw, e27, e26, colour, color, temp, temperature, set, to, lit, power, strong, through,
    inside, behind, into, balanced, has, have, i, we
"""),
)


class _LampWords:
    """The facts about a lamp in a line, collected word by word."""

    def __init__(self) -> None:
        self.kinds: list[str] = []
        self.shape: str | None = None
        self.light: dict[str, float] = {}
        self.facts: dict[str, Any] = {}
        self.notes: list[str] = []

    def take(self, word: ScannedWord) -> None:
        own: Callable[[ScannedWord], None] | None = getattr(self, f"_{word.row}", None)
        if own is not None:
            own(word)
        elif word.row in _WHITE:
            self.facts["cct"] = WHITES_K[word.row]
        else:
            self.kinds.append(word.row)

    def _number(self, word: ScannedWord) -> None:
        if "watts" not in self.light:
            self.light["watts"] = parse_number(word.match[0])

    def _count(self, word: ScannedWord) -> None:
        digits = next((group for group in word.match.groups() if group), "2")
        self.facts["count"] = count(digits, {}).value

    def _equal(self, word: ScannedWord) -> None:
        watts, lumens = zip(*INCANDESCENT_WATTS_LM, strict=True)
        old = parse_number(word.match[1] or word.match[2])
        if not watts[0] <= old <= watts[-1]:
            raise ValueError(f"an equivalent goes from {watts[0]} to {watts[-1]} W; say the lumens instead")
        self.light["lumens"] = round(float(np.interp(old, watts, lumens)))

    def _lumens(self, word: ScannedWord) -> None:
        self._amount("lumens", _thousands(word.match[1]))

    def _kilowatts(self, word: ScannedWord) -> None:
        self._amount("watts", 1000 * parse_number(word.match[1] or word.match[2]))

    def _watts(self, word: ScannedWord) -> None:
        self._amount("watts", parse_number(word.match[1]))

    def _amount(self, of: str, value: float) -> None:
        if self.light.setdefault(of, value) != value:
            raise ValueError(
                f"{self.light[of]:g} or {value:g} {of}? Give those of one lamp, and how many, as 2 x 9 W"
            )

    def _two(self, word: ScannedWord) -> None:
        self.facts["cct"] = WHITES_K["daylight"]
        self.notes = ["a lamp of several whites is taken as set to one, 5600 K"]

    def _kelvin(self, word: ScannedWord) -> None:
        kelvin = parse_number(word.match[1]) if word.match[1] else 1000 * parse_number(word.match[2])
        if not 1000 <= kelvin <= 20_000:
            raise ValueError(f"a white goes from 1000 to 20000 K, not {kelvin:.0f} K")
        self.facts["cct"] = kelvin

    def _flash(self, _: ScannedWord) -> None:
        raise ValueError(
            "a flash burns for an instant and cannot be held; name a lamp that burns all the time"
        )

    def _sun(self, _: ScannedWord) -> None:
        raise ValueError("that cannot be dimmed, so it is no head; [ambient] in the file takes it later")

    def _undimmed(self, _: ScannedWord) -> None:
        self.facts["dimmable"] = False

    def _dimmable(self, _: ScannedWord) -> None:
        self.facts["dimmable"] = True

    def _panel(self, _: ScannedWord) -> None:
        self.shape = "panel"

    def _bulb(self, _: ScannedWord) -> None:
        self.shape = "bulb"

    @property
    def kind(self) -> str:
        """The kind of lamp; tungsten means halogen, as in studios, or a white if another kind is named."""
        stated = [kind for kind in self.kinds if kind != "tungsten"]
        if "tungsten" in self.kinds:
            if stated:
                self.facts.setdefault("cct", WHITES_K["tungsten"])
            else:
                return "incandescent" if self.shape == "bulb" else "halogen"
        if {"led", "tube"} <= set(stated):
            return "led"
        return stated[-1] if stated else "led"


def _thousands(text: str) -> float:
    """Read lumens, which never have three decimals: ``3,200`` and ``3.200`` are 3200."""
    parts = text.replace(",", ".").split(".")
    if len(parts) > 1 and all(len(part) == 3 for part in parts[1:]):
        return float("".join(parts))
    return parse_number(text)


def _scanned(text: str, known: WordPatterns, such: str) -> tuple[_LampWords, list[ScannedWord]]:
    lamp, others = _LampWords(), []
    line = re.sub(r"(?<=\d)x(?=\d+\s*(?:w|lm)\b)", "x ", normalize(text))
    try:
        for word in scan(line, known, _SKIP, (*VOCABULARY, *MODIFIER_VOCABULARY)):
            if word.row in FACE or (word.row in MODIFIER_ROWS and word.row != "panel"):
                others.append(word)
            else:
                lamp.take(word)
    except UnknownWordError as error:
        raise ValueError(f"{error}; say it such as {such}") from error
    return lamp, others


LAMP_EXAMPLES = "LED 40 W, 9 W bulb, tungsten 650 W, CFL, fluorescent tube"


def lamp(text: str, answers: Answers) -> Meaning:
    """Read a lamp's kind, and everything else that the line states, its modifier included.

    >>> lamp("9W bulb", {}).note
    'read as LED bulb, 9 W'
    >>> lamp("two 85 W CFLs, daylight", {}).extra["count"]
    2
    """
    found, others = _scanned(text, LAMP_ROWS, LAMP_EXAMPLES)
    kind, tungsten = found.kind, _unsaid_tungsten(found, others)
    if tungsten:
        kind = "halogen"
    if not (found.kinds or found.shape or found.light or found.facts or others):
        raise ValueError(f"{text.strip()!r} is no lamp known here; say it such as {LAMP_EXAMPLES}")
    also: dict[str, Any] = {"count": 1, **found.facts, "shape": found.shape or "lamp"}
    if found.light:
        also["light"] = _light(found.light)
    if kind in OWN_WHITE_K:
        also.setdefault("cct", OWN_WHITE_K[kind])
    if kind in ALWAYS_DIMMABLE:
        also.setdefault("dimmable", True)
    on_it = modifier_in(others, bool(answers.get("feet"))) if others else ModifierAnswer(None, None, "")
    also |= {} if on_it.kind is None else {"modifier": on_it.kind}
    also |= {} if on_it.width_m is None else {"size": on_it.width_m}
    named = lamp_words(kind, also)
    if tungsten:
        named = named.replace(KIND_WORDS[kind], "tungsten", 1)
    read_back = ", ".join([named, *found.notes, *([on_it.words] if on_it.words else [])])
    return Meaning(kind, f"read as {read_back}{tungsten}", also)


TUNGSTEN_WATTS = (650.0, 800.0, 1000.0, 1200.0, 2000.0, 5000.0, 10_000.0, 12_000.0, 18_000.0, 20_000.0)
"""Powers by which tungsten heads are known in the trade (common practice, no source)."""
_TUNGSTEN_HEAD = re.compile(r"(fresnel|open[ -]?face)")


def _unsaid_tungsten(found: _LampWords, others: Iterable[ScannedWord]) -> str:
    """Return a hint for a lamp that is tungsten by its head or watts alone; empty for any other.

    Another kind, a shape, lumens or a cooler white excludes tungsten.
    """
    if found.kinds or found.shape or "lumens" in found.light:
        return ""
    if found.facts.get("cct", WHITES_K["tungsten"]) != WHITES_K["tungsten"]:
        return ""
    head = next((match[1] for word in others if (match := _TUNGSTEN_HEAD.match(word.match[0]))), None)
    if head is None and found.light.get("watts") not in TUNGSTEN_WATTS:
        return ""
    return f"; say LED {head} if it is one" if head else "; say LED if it is one"


def lamp_words(kind: str, also: Mapping[str, Any]) -> str:
    """Return a lamp in words that `lamp` reads as the same lamp."""
    name = KIND_WORDS[kind] + (
        "" if also["shape"] == "lamp" or kind in ("cfl", "tube") else f" {also['shape']}"
    )
    parts = [name if also["count"] == 1 else f"{also['count']} x {name}"]
    parts += [str(also["light"])] if "light" in also else []
    parts += [f"{also['cct']:.0f} K"] if "cct" in also else []
    if kind not in ALWAYS_DIMMABLE and "dimmable" in also:
        parts.append("dimmable" if also["dimmable"] else "not to be dimmed")
    return ", ".join(parts)


def _light(found: Mapping[str, float]) -> LampOutput:
    if not all(0 < value <= (1_000_000 if of == "lumens" else 20_000) for of, value in found.items()):
        raise ValueError("a lamp gives more than 0 lm and takes more than 0 W and at most 20000 W")
    return LampOutput(found.get("lumens"), found.get("watts"))


def light(text: str, answers: Answers) -> Meaning:
    """Read one lamp's lumens, watts, or both; a number alone is watts.

    >>> light("3200 lm 30 W", {}).value, light("60W equivalent", {}).value.lumens, light("9", {}).note
    (LampOutput(lumens=3200.0, watts=30.0), 806, 'read as 9 W')
    """
    found, _ = _scanned(text, LIGHT_ROWS, "800 lm, 9 W or 60 W equivalent")
    if not found.light or found.facts.get("count"):
        raise ValueError(
            f"{text.strip()!r} is neither light nor power; say it such as 3200 lm 30 W, or 105 W"
        )
    value = _light(found.light)
    line = normalize(text).replace(" ", "").replace(",", "")
    as_typed = line in (f"{value.lumens or 0:g}lm", f"{value.watts or 0:g}w")
    return Meaning(value, "" if as_typed else f"read as {value}")


def light_of(text: str) -> LampOutput:
    """Return one lamp's light; see `light`."""
    value: LampOutput = light(text, {}).value
    return value


def white(text: str, answers: Answers) -> Meaning:
    """Read a white in kelvin, from a number or its word.

    >>> white("5500K", {}).value, white("daylight", {}).note, white("tungsten", {}).value
    (5500.0, 'read as 5600 K', 3200.0)
    """
    found, _ = _scanned(text, WHITE_ROWS, "5600 K, daylight, warm or tungsten")
    if "tungsten" in found.kinds:
        found.facts["cct"] = WHITES_K["tungsten"]
    kelvin = found.facts.get("cct")
    if kelvin is None:
        raise ValueError(f"{text.strip()!r} is no white; say it such as 5600 K, daylight, warm or tungsten")
    note = "" if normalize(text).replace(" ", "") == f"{kelvin:.0f}k" else f"read as {kelvin:.0f} K"
    return Meaning(kelvin, "; ".join([*found.notes, note]) if found.notes else note)


def count(text: str, _: Answers) -> Meaning:
    """Read the number of lamps in a head."""
    digits = normalize(text).removesuffix("x").removesuffix("lamps").removesuffix("bulbs").strip()
    digits = {"a pair": "2", "single": "1", "just 1": "1"}.get(digits, digits)
    if not digits.isdecimal() or not 1 <= int(digits) <= 100:
        raise ValueError(f"{text.strip()!r} is not a whole number from 1 to 100")
    return Meaning(int(digits))


def dimmable(text: str, _: Answers) -> Meaning:
    """Read the permission to dim a lamp; an unsure answer counts as no."""
    line = normalize(text)
    if any(
        word in line
        for word in ("know", "not sure", "unsure", "idea", "dunno", "idk", "says nothing", "no marking")
    ):
        return Meaning(False, "read as no: a lamp of which nobody knows is left undimmed")
    no = (
        "not to be dimmed",
        "do not dim",
        "non dimmable",
        "non-dimmable",
        "undimmable",
        "cannot",
        "can't",
        "fixed",
        "forbidden",
    )
    yes = ("dimmable", "it dims", "dims", "can", "may")
    value = yes_or_no(text, yes=yes, no=no)
    return Meaning(value, yes_note(text, value, yes if value else no))


def typical_light(kind: str, shape: str, led_watts: float) -> LampOutput:
    """Return the typical output of a kind: as much light as an LED of these watts, or a bulb's watts.

    >>> typical_light("led", "lamp", 40.0), typical_light("halogen", "lamp", 40.0).watts
    (LampOutput(lumens=4000.0, watts=40.0), 200.0)
    """
    if shape == "bulb" and kind in BULB_WATTS:
        return LampOutput(None, BULB_WATTS[kind])
    lumens = EFFICACY_LM_W["led"].usual * led_watts
    watts = lumens / EFFICACY_LM_W[kind].usual
    step = 5 if watts < 100 else 50
    return LampOutput(lumens if kind == "led" else None, float(step * max(1, round(watts / step))))
