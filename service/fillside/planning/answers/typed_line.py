"""A typed line made plain: one kind of each mark, small letters, number words as digits; and typos."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any


def listed(text: str) -> tuple[str, ...]:
    """Words and phrases with commas between, over as many lines as they need.

    >>> listed("yes, of\\n course")
    ('yes', 'of course')
    """
    return tuple(part.strip() for part in " ".join(text.split()).split(","))


NUMBER = r"(?:\d+\s+\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?|[.,]\d+)"
"""A number as people write one: with a point or a comma, a fraction, or a whole and a fraction."""
UNSURE = frozenset(
    listed("""
    default, usual, normal, typical, don't know, dont know, i don't know, i dont know, dunno, idk, not
    sure, unsure, no idea, whatever, any, anything, same, ok, okay, -
""")
)
"""Answers that leave the choice to us."""

_ESCAPES = re.compile(r"\x1b(?:\[[0-9;]*[A-Za-z~]|.)?")
_MARKS = str.maketrans(
    {
        **dict.fromkeys("’‘ʼ´`′ʹ", "'"),
        **dict.fromkeys("“”″„ʺ", '"'),
        **dict.fromkeys("–—−‐‑", "-"),
        **dict.fromkeys("\u00a0\u202f\u2009\t", " "),
        **dict.fromkeys("：∶", ":"),
        **dict.fromkeys("⁄∕", "/"),
        "×": "x",
        "º": "°",
        "˚": "°",
        "ƒ": "f",
        "，": ",",
        "½": " 1/2",
        "¼": " 1/4",
        "¾": " 3/4",
        "⅓": " 1/3",
        "⅔": " 2/3",
        "⅛": " 1/8",
        "⅜": " 3/8",
        "⅝": " 5/8",
        "⅞": " 7/8",
    }
)
_NUMBER_WORDS = {
    word: str(number)
    for number, word in enumerate(
        listed("zero, one, two, three, four, five, six, seven, eight, nine, ten, eleven, twelve")
    )
} | {
    "fifteen": "15",
    "twenty": "20",
    "thirty": "30",
    "forty": "40",
    "fifty": "50",
    "sixty": "60",
    "ninety": "90",
}
_NUMBER_WORD = re.compile(rf"\b({'|'.join(_NUMBER_WORDS)})\b")
_HALVES = (
    (re.compile(r"\b(?:an?|1)\s+(?!and\b)([a-z]+) and (?:a |1 )?half\b"), r"1.5 \1"),
    (re.compile(r"\b(\d+)\s+([a-z]+) and (?:a |1 )?half\b"), r"\1.5 \2"),
    (re.compile(r"\b(\d+) and (?:a |1 )?half\b"), r"\1.5"),
    (re.compile(r"\b(?:a )?half(?: of)?(?: an?)?(?= )"), "0.5"),
    (re.compile(r"\b(\d) thirds?(?: of)?(?: an?)?(?= )"), r"\1/3"),
    (re.compile(r"\b(?:a )?third(?: of)?(?: an?)?(?= )"), "1/3"),
)


@dataclass(frozen=True)
class Meaning:
    """What a line means: the answer, how it was read where that is worth saying, and what else it answers.

    `also` has other answers by their keys; within one head's questions the keys are those of the head.
    """

    value: Any
    note: str = ""
    also: Mapping[str, Any] = field(default_factory=dict)


def plain(text: str) -> str:
    """The line with one kind of each mark, in small letters, its number words as digits.

    >>> plain("Five foot 6 ½”"), plain("One and a half stops!"), plain("half a stop")
    ('5 foot 6 1/2"', '1.5 stops', '0.5 stop')
    """
    line = "".join(c for c in _ESCAPES.sub("", text).translate(_MARKS) if c.isprintable())
    line = " ".join(line.replace("''", '"').lower().split()).strip(" !?;,").removesuffix(".")
    line = _NUMBER_WORD.sub(lambda match: _NUMBER_WORDS[match[1]], line)
    for pattern, instead in _HALVES:
        line = pattern.sub(instead, line)
    return line


def spelled(text: str) -> bool:
    """Whether a line has numbers in words, which are worth reading back.

    >>> spelled("one and a half stops"), spelled("1½ stops")
    (True, False)
    """
    return re.findall(r"\d", text.translate(_MARKS)) != re.findall(r"\d", plain(text))


def number(text: str) -> float:
    """The number that matches `NUMBER`; ValueError for a fraction of nothing.

    >>> number("1,7"), number("1 1/2"), number(".5")
    (1.7, 1.5, 0.5)
    """
    whole, _, fraction = text.strip().rpartition(" ")
    if "/" in fraction:
        above, _, below = fraction.partition("/")
        if int(below) == 0:
            raise ValueError(f"{text!r} divides by nothing")
        return float(whole or 0) + int(above) / int(below)
    return float(text.strip().replace(",", "."))


def shown(value: float) -> str:
    """A number with no more digits than it needs, two after the point at most.

    >>> shown(2.4), shown(120.0), shown(1 / 3)
    ('2.4', '120', '0.33')
    """
    return f"{value:.2f}".rstrip("0").rstrip(".")


def without(line: str, words: Iterable[str]) -> str:
    """The line without those words and phrases, of several at one place the longest."""
    return " ".join(_phrases(tuple(words)).sub(" ", line).split()).strip(" ,;:")


@lru_cache(maxsize=64)
def _phrases(words: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile(rf"(?<![\w'-]){_any(words)}(?![\w'-])")


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that a mistyped one is most like; None for a short word or one unlike all.

    >>> nearest("flourescent", ["halogen", "fluorescent"]), nearest("cat", ["cut"])
    ('fluorescent', None)
    """
    if len(word) < 4:
        return None
    return next(iter(difflib.get_close_matches(word, list(known), n=1, cutoff=0.8)), None)


ABOUT = listed("""
    it's, its, it is, it, is, are, was, about, around, approx, approximately, roughly, circa, ca, maybe,
    probably, say, just, the, i think, i guess, i have, i've got, i use, we have, we use, we've got, i'd
    like, i'd say, please, we'll use, use, would be, should be, set to, or so, more or less, ~, my, our,
    will be, i want, we want, give me, exactly, here
""")
"""What people put around an answer without changing it."""

YES = listed("""
    y, yes, ok, okay, yeah, yea, yep, yup, ye, ya, ja, oui, si, sí, sure, true, 1, on, of course, definitely,
    certainly, absolutely, correct, right, affirmative, i do, he does, she does, they do, it does, it
    may, yes please, both, always, with, sometimes, often
""")
NO = listed("""
    n, no, nope, not at all, nah, nein, non, não, false, 0, off, none, never, not really, no thanks,
    nothing, doesn't, does not, isn't, is not, don't, do not, without, neither, negative, not, not yet,
    no way, i don't, he doesn't, she doesn't, they don't, it may not
""")


_ALONE = frozenset(
    listed("""
    on, off, both, right, with, 1, 0, true, false, y, n, d, j, not, without, always, often
""")
)
"""Words that say yes or no as a whole answer, and little inside of one."""
_NOT = (
    r"(?:(?:not|never|isn't|aren't|don't|doesn't|won't|nobody|none)\s+(?:[\w']+\s+){0,2}"
    r"|(?:no|without)\s+(?:an?\s+)?)"
)


def yes_or_no(text: str, yes: Iterable[str] = (), no: Iterable[str] = ()) -> bool:
    """A yes or no, by itself or in a sentence; `yes` and `no` are the words of a question of its own.

    >>> yes_or_no("Yep!"), yes_or_no("no, none of us"), yes_or_no("not sitting", ["standing"], ["sitting"])
    (True, False, True)
    """
    line = plain(text)
    own = dict.fromkeys(yes, True) | dict.fromkeys(no, False)
    common = dict.fromkeys(YES, True) | dict.fromkeys(NO, False)
    if line in common or line in own:
        return own.get(line, common.get(line, False))
    if line in UNSURE:
        raise ValueError(f"{text.strip()!r} is neither yes nor no")
    mistyped = " ".join(nearest(word, (*own, *common)) or word for word in re.findall(r"[\w'-]+", line))
    for words in (line, mistyped):
        found = _way_in(words, own, common)
        if found is not None:
            return found
    raise ValueError(f"{text.strip()!r} is neither yes nor no")


_SAID = dict.fromkeys(
    listed("y, yes, yeah, yea, yep, yup, ye, ya, ja, oui, si, sí, sure, of course, true, 1, on"), True
) | dict.fromkeys(listed("n, no, nope, nah, nein, non, não, not, none, never, nothing, false, 0, off"), False)
"""Words that say yes or no so plainly that a line which begins with one need not be read back."""


def yes_note(text: str, value: bool, own: Iterable[str] = ()) -> str:
    """How a yes or no is read back; nothing where the line begins with one, or has a word of `own`.

    >>> yes_note("Yes, mostly", True), yes_note("sometimes", True), yes_note("contacts", False, ["contacts"])
    ('', 'read as yes', '')
    """
    line = plain(text)
    begun = re.match(_any(_SAID) + r"(?!\w)", line)
    plainly = (begun is not None and _SAID[begun[1]] is value) or any(word in line for word in own)
    return "" if plainly else f"read as {'yes' if value else 'no'}"


def _way_in(line: str, own: Mapping[str, bool], common: Mapping[str, bool]) -> bool | None:
    """What a sentence says by the question's own words, turned by a not, or else by the first common one."""
    if own and (word := re.search(rf"({_NOT})?(?<![\w-]){_any(own)}(?![\w-])", line)) is not None:
        return own[word[2]] ^ bool(word[1])
    sentence = {word: way for word, way in common.items() if word not in _ALONE}
    first = re.search(rf"(?<![\w-]){_any(sentence)}(?![\w-])", line)
    return None if first is None else sentence[first[1]]


def _any(words: Iterable[str]) -> str:
    return f"({'|'.join(re.escape(word) for word in sorted(words, key=len, reverse=True))})"


_LETTERS = str.maketrans({"ß": "ss", "æ": "ae", "ø": "o", "ł": "l", "đ": "d", "œ": "oe", "þ": "th", "ı": "i"})


def slug(text: str, otherwise: str) -> str:
    """A name as the rig file takes it, made of any name: small letters, digits and hyphens, at most 32.

    `otherwise` is for one without a single letter or digit of those.

    >>> slug("Anna's Côté Studio", "studio"), slug("工作室", "studio")
    ('annas-cote-studio', 'studio')
    """
    spread = unicodedata.normalize("NFKD", text.lower().translate(_LETTERS).translate(_MARKS))
    letters = re.sub(r"[^a-z0-9]+", "-", re.sub(r"['\u0300-\u036f]", "", spread))
    return letters.strip("-")[:32].strip("-") or otherwise
