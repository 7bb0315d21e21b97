"""A typed line: normalization, and a scan for the trade's words in any order, with typos."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from typing import NamedTuple


def split_list(text: str) -> tuple[str, ...]:
    """Split words and phrases at commas; line breaks count as blanks.

    >>> split_list("yes, of\\n course")
    ('yes', 'of course')
    """
    return tuple(part.strip() for part in " ".join(text.split()).split(","))


NUMBER = r"(?:\d+\s+\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?|[.,]\d+)"
"""Pattern of a number as people write one: with a point or a comma, a fraction, or a whole and a fraction."""
UNSURE_ANSWERS = frozenset(
    split_list("""
    default, usual, normal, typical, don't know, dont know, i don't know, i dont know, dunno, idk, not
    sure, unsure, no idea, whatever, any, anything, same, ok, okay, -
""")
)
"""Answers that leave the choice to the default."""

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
    word: str(parse_number)
    for parse_number, word in enumerate(
        split_list("zero, one, two, three, four, five, six, seven, eight, nine, ten, eleven, twelve")
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


def normalize(text: str) -> str:
    """Return the line in lower case, with uniform punctuation marks and digits for number words.

    >>> normalize("Five foot 6 ½”"), normalize("One and a half stops!"), normalize("half a stop")
    ('5 foot 6 1/2"', '1.5 stops', '0.5 stop')
    """
    line = "".join(c for c in _ESCAPES.sub("", text).translate(_MARKS) if c.isprintable())
    line = " ".join(line.replace("''", '"').lower().split()).strip(" !?;,").removesuffix(".")
    line = _NUMBER_WORD.sub(lambda match: _NUMBER_WORDS[match[1]], line)
    for pattern, instead in _HALVES:
        line = pattern.sub(instead, line)
    return line


def has_number_words(text: str) -> bool:
    """Return true for a line with numbers in words, which should be read back.

    >>> has_number_words("one and a half stops"), has_number_words("1½ stops")
    (True, False)
    """
    return re.findall(r"\d", text.translate(_MARKS)) != re.findall(r"\d", normalize(text))


def parse_number(text: str) -> float:
    """Return the number that matches `NUMBER`; raises ValueError for a fraction with denominator 0.

    >>> parse_number("1,7"), parse_number("1 1/2"), parse_number(".5")
    (1.7, 1.5, 0.5)
    """
    whole, _, fraction = text.strip().rpartition(" ")
    if "/" in fraction:
        above, _, below = fraction.partition("/")
        if int(below) == 0:
            raise ValueError(f"{text!r} divides by nothing")
        return float(whole or 0) + int(above) / int(below)
    return float(text.strip().replace(",", "."))


def short_number(value: float) -> str:
    """Format a number with no more digits than it needs, two decimals at most.

    >>> short_number(2.4), short_number(120.0), short_number(1 / 3)
    ('2.4', '120', '0.33')
    """
    return f"{value:.2f}".rstrip("0").rstrip(".")


def remove_words(line: str, words: Iterable[str]) -> str:
    """Remove these words and phrases from the line, at each place the longest that fits."""
    return " ".join(_phrases(tuple(words)).sub(" ", line).split()).strip(" ,;:")


@lru_cache(maxsize=64)
def _phrases(words: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile(rf"(?<![\w'-]){any_of(words)}(?![\w'-])")


def closest_word(word: str, known: Iterable[str]) -> str | None:
    """Return the known word most similar to a mistyped one; None for short words and without a match.

    >>> closest_word("flourescent", ["halogen", "fluorescent"]), closest_word("cat", ["cut"])
    ('fluorescent', None)
    """
    if len(word) < 4:
        return None
    return next(iter(difflib.get_close_matches(word, list(known), n=1, cutoff=0.8)), None)


FILLER_WORDS = split_list("""
    it's, its, it is, it, is, are, was, about, around, approx, approximately, roughly, circa, ca, maybe,
    probably, say, just, the, i think, i guess, i have, i've got, i use, we have, we use, we've got, i'd
    like, i'd say, please, we'll use, use, would be, should be, set to, or so, more or less, ~, my, our,
    will be, i want, we want, give me, exactly, here
""")
"""Words around an answer that do not change its meaning."""


def any_of(words: Iterable[str]) -> str:
    return f"({'|'.join(re.escape(word) for word in sorted(words, key=len, reverse=True))})"


_LETTERS = str.maketrans({"ß": "ss", "æ": "ae", "ø": "o", "ł": "l", "đ": "d", "œ": "oe", "þ": "th", "ı": "i"})


def slug(text: str, otherwise: str) -> str:
    """Turn any name into a name of the rig file: lower-case letters, digits and hyphens, at most 32.

    `otherwise` replaces a name without a single such letter or digit.

    >>> slug("Anna's Côté Studio", "studio"), slug("工作室", "studio")
    ('annas-cote-studio', 'studio')
    """
    spread = unicodedata.normalize("NFKD", text.lower().translate(_LETTERS).translate(_MARKS))
    letters = re.sub(r"[^a-z0-9]+", "-", re.sub(r"['\u0300-\u036f]", "", spread))
    return letters.strip("-")[:32].strip("-") or otherwise


WordPatterns = tuple[tuple[str, re.Pattern[str]], ...]
_WORD = re.compile(r"[^\s,;()+&]+")
_BETWEEN = re.compile(r"[\s,;:()+&.-]+")


class ScannedWord(NamedTuple):
    """One recognized word or phrase: its row in the table, and the match."""

    row: str
    match: re.Match[str]


def compile_rows(table: Mapping[str, str]) -> WordPatterns:
    """Compile patterns in the order in which they are tried, each up to the end of a word."""
    return tuple((row, re.compile(rf"(?:{pattern})(?![\w])")) for row, pattern in table.items())


class UnknownWordError(ValueError):
    """A word that matches no row and resembles none; `word` is that word."""

    def __init__(self, word: str) -> None:
        super().__init__(f"{word!r} is not understood here")
        self.word = word


def scan(
    line: str, known: WordPatterns, skip: Iterable[str], vocabulary: Iterable[str]
) -> Iterator[ScannedWord]:
    """Yield everything in a normalized line from left to right.

    A mistyped word counts as the one it most resembles. Raises UnknownWordError.
    """
    skipped, at = frozenset(skip), 0
    while at < len(line):
        if (gap := _BETWEEN.match(line, at)) is not None:
            at = gap.end()
            continue
        found = next((ScannedWord(row, m) for row, pattern in known if (m := pattern.match(line, at))), None)
        if found is not None:
            yield found
            at = found.match.end()
            continue
        word = _WORD.match(line, at)
        assert word is not None, "what is between words was skipped"
        if word[0] not in skipped:
            meant = closest_word(word[0], vocabulary)
            if meant is None or meant == word[0]:
                raise UnknownWordError(word[0])
            line = line[:at] + meant + line[word.end() :]
            continue
        at = word.end()
