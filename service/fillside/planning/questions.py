"""The few questions from which a first rig file is written, and what their answers may be.

The questions know nothing of terminals: whoever asks shows `asks`, takes a line, and lets `take` read it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from fillside.planning.answers_text import length_m, light_of, yes_or_no
from fillside.planning.lamps import EFFICACY_LM_W
from fillside.planning.modifiers import USUAL
from fillside.rig.notation import ratio_number
from fillside.rig.terms import NAME

Answers = Mapping[str, Any]
MAINS: dict[str, tuple[float, float, float]] = {
    "230/50": (230.0, 50.0, 16.0),
    "120/60": (120.0, 60.0, 15.0),
    "100/50": (100.0, 50.0, 15.0),
    "100/60": (100.0, 60.0, 15.0),
    "220/60": (220.0, 60.0, 16.0),
}
"""Mains volts and hertz as asked, with the breaker that is taken for a wall socket [A]."""
ADDRESS = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.:-]{0,250}[A-Za-z0-9])?")
DRIVERS = ("sim", "sacn")


@dataclass(frozen=True)
class Question:
    """One question: its key and words, how a line is read, what an empty one means, when it is asked."""

    key: str
    asks: str
    reads: Callable[[str], Any]
    default: str | Callable[[Answers], str]
    when: Callable[[Answers], bool] = lambda _: True

    def default_for(self, answers: Answers) -> str:
        """What an empty line stands for, given the answers before it."""
        return self.default if isinstance(self.default, str) else self.default(answers)

    def take(self, line: str, answers: Answers) -> Any:
        """The answer in a line; ValueError in one plain sentence for one that cannot be."""
        return self.reads(line.strip() or self.default_for(answers))


def _between(least: float, most: float, reads: Callable[[str], float], what: str) -> Callable[[str], float]:
    def bounded(text: str) -> float:
        value = reads(text)
        if not least <= value <= most:
            raise ValueError(f"{what} goes from {least:g} to {most:g}, not {value:g}")
        return value

    return bounded


def _one_of(words: Mapping[str, Any] | tuple[str, ...]) -> Callable[[str], str]:
    def chosen(text: str) -> str:
        word = text.lower()
        if word not in words:
            raise ValueError(f"{text!r} is not one of {', '.join(words)}")
        return word

    return chosen


def _name(text: str) -> str:
    word = text.lower().replace(" ", "-").replace("_", "-")
    if not NAME.fullmatch(word):
        raise ValueError(f"{text!r} is not a name: small letters, digits and hyphens, at most 32")
    return word


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a number") from None


def _count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 100:
        raise ValueError(f"{text!r} is not a whole number from 1 to 100")
    return int(text)


def _address(text: str) -> str:
    if not ADDRESS.fullmatch(text):
        raise ValueError(f"{text!r} is not a host name or an address such as 192.0.2.7, nor multicast")
    return text


def _ratio(text: str) -> str:
    ratio_number(text, "key:fill")
    return text


def _length(least_m: float, most_m: float, what: str) -> Callable[[str], float]:
    return _between(least_m, most_m, length_m, f"{what} in metres")


def _head_questions(
    role: str, size: str, light: str, wanted: Callable[[Answers], bool]
) -> tuple[Question, ...]:
    def sized(answers: Answers) -> bool:
        return wanted(answers) and answers[f"{role}.modifier"] != "bare"

    def ask(key: str, asks: str, reads: Callable[[str], Any], default: str) -> Question:
        when = sized if key == "size" else wanted
        return Question(f"{role}.{key}", f"{role}: {asks}", reads, default, when)

    usual = "shoot-through" if role in ("key", "fill") else "reflector"
    return (
        ask("lamp", f"kind of lamp ({', '.join(EFFICACY_LM_W)})", _one_of(EFFICACY_LM_W), "led"),
        ask("light", "light and power of one lamp (3200 lm 30 W, or what is known of it)", light_of, light),
        ask("count", "how many such lamps in it", _count, "1"),
        ask("cct", "colour in kelvin", _between(1000, 20_000, _number, "kelvin"), "5600"),
        ask("dimmable", "may it be dimmed (see its marking)", yes_or_no, "yes"),
        ask("modifier", f"modifier ({', '.join(USUAL)})", _one_of(USUAL), usual),
        ask("size", "width across its lit face", _length(0.02, 4.5, "width"), size),
    )


def _always(_: Answers) -> bool:
    return True


QUESTIONS: tuple[Question, ...] = (
    Question("name", "Name of the rig", _name, "corner-studio"),
    Question("stands", "Does the subject stand (else sit)", yes_or_no, "no"),
    Question("camera", "Camera to subject", _length(0.6, 12, "distance"), "2.4"),
    Question("wall", "Subject to the wall behind", _length(0.3, 12, "distance"), "1.5"),
    Question("ceiling", "Height of the ceiling", _length(1.9, 12, "height"), "2.5"),
    Question("light_room", "Are walls and ceiling white or light", yes_or_no, "yes"),
    Question("mains", f"Mains, volts/hertz ({', '.join(MAINS)})", _one_of(MAINS), "230/50"),
    Question("aperture", "Aperture, f/", _between(0.7, 16, _number, "an aperture"), "2.8"),
    Question("ratio", "Ratio of key to fill, each alone", _ratio, "2:1"),
    Question("glasses", "Does the subject wear glasses", yes_or_no, "no"),
    *_head_questions("key", "0.9 m", "4000 lm 40 W", _always),
    *_head_questions("fill", "1.0 m", "3000 lm 30 W", _always),
    Question("hair", "A light on the hair", yes_or_no, "no"),
    *_head_questions("hair", "0.15 m", "1500 lm 15 W", lambda a: bool(a["hair"])),
    Question("background", "A light on the wall", yes_or_no, "no"),
    *_head_questions("background", "0.2 m", "1500 lm 15 W", lambda a: bool(a["background"])),
    Question("driver", "Where levels go (sim: no lamp yet, sacn: ANSI E1.31)", _one_of(DRIVERS), "sim"),
    Question(
        "to",
        "Address of what receives them (multicast: as the standard says)",
        _address,
        "multicast",
        lambda a: bool(a["driver"] == "sacn"),
    ),
)


def default_answers(given: Answers | None = None) -> dict[str, Any]:
    """Every question answered by what was given (as it would be typed), and else by its default."""
    typed = given or {}
    answers: dict[str, Any] = {}
    for question in QUESTIONS:
        if question.when(answers):
            answers[question.key] = question.take(str(typed.get(question.key, "")), answers)
    return answers
