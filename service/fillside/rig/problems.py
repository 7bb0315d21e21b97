"""Problems of a rig as data, and the one line a person reads about them.

RigError            a rig file or a change of a rig that cannot be used
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

Path = tuple[str | int, ...]
"""Keys and list indices from the top of the file, such as ("heads", 0, "drive", "slot")."""

LONGEST_SHOWN = 48
LONGEST_LINE = 600
"""Most characters of a whole message, which may quote several values."""
HUGE = 10**40
"""Larger whole numbers are not written out; Python refuses to write thousands of digits."""
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_POINTS = ("position", "aim")


@dataclass(frozen=True)
class Problem:
    """One problem: its place, and a sentence that says what is wrong and what would be right."""

    path: Path
    message: str


class RigError(ValueError):
    """A rig that cannot be used, described in one line.

    Attributes:
        message: what is wrong and what would be right.
        key: the dotted key with heads by name; "" for the file as a whole.
        line: counted from 1; None if there is no text.
        source: the file's name.
        others: how many more problems there are.

    >>> print(RigError("must be above 0, not -5", "camera.iso", 12, source="studio.toml"))
    studio.toml:12: camera.iso: must be above 0, not -5
    """

    def __init__(
        self, message: str, key: str = "", line: int | None = None, *, source: str = "", others: int = 0
    ) -> None:
        self.message, self.key, self.line = message, key, line
        self.source, self.others = source, others
        super().__init__(str(self))

    def __str__(self) -> str:
        place = (
            self.source if self.line is None else f"{self.source or 'line '}:{self.line}".replace(" :", " ")
        )
        more = f" (and {self.others} more)" if self.others else ""
        return one_line(": ".join(part for part in (place, self.key, self.message) if part) + more)


def one_line(text: str) -> str:
    """Escape whatever is not printable, so that the text stays one line, and shorten a long text.

    A long text loses its middle: the place stands at its beginning, the advice at its end.

    >>> one_line("up\\n"), len(one_line("x" * 5000))
    ('up\\\\n', 600)
    """
    line = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    return line if len(line) <= LONGEST_LINE else f"{line[: LONGEST_LINE - 201]}…{line[-200:]}"


def describe(value: Any) -> str:
    """Describe a value as a person would recognise it in the file, shortened if it is long.

    >>> describe("4OO"), describe(True), describe([1, 2])
    ('the text "4OO"', 'true', 'a list of 2')
    """
    if isinstance(value, str):
        return f"the text {quoted(value)}"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) >= HUGE:
        return f"a number of some {math.ceil(value.bit_length() * math.log10(2))} digits"
    if isinstance(value, int | float):
        return _cut(f"{value:g}" if isinstance(value, float) else f"{value}"[: LONGEST_SHOWN + 1])
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}"
    return "nothing" if value is None else "a date or time"


def quoted(text: str) -> str:
    """Quote a text on one line, shortened if it is long.

    >>> print(quoted("3 to 1"), len(quoted("x" * 5000)))
    "3 to 1" 48
    """
    return _cut(json.dumps(text, ensure_ascii=False))


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 1] + "…"


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known name that was probably meant, or None.

    >>> nearest("Apperture", ["iso", "aperture"])
    'aperture'
    """
    names = {name.lower().replace("-", "_"): name for name in known}
    from difflib import get_close_matches

    found = get_close_matches(word.lower().replace("-", "_").strip(), list(names), n=1, cutoff=0.6)
    return names[found[0]] if found else None


def did_you_mean(word: str, known: Iterable[str], kind: str = "known") -> str:
    """Return the hint after an unknown name: the nearest known one, otherwise all of them."""
    names = list(known)
    if guess := nearest(word, names):
        return f'did you mean "{guess}"?'
    if not names:
        return "there are none"
    listed = ", ".join(names[:12]) + (", …" if len(names) > 12 else "")
    return f"{kind}: {listed}"


def unknown_name(kind: str, name: str, known: Iterable[str]) -> str:
    """Return the message for a head, mark or role that the rig does not have, with those it has.

    >>> unknown_name("mark", "stage", ["chair", "lean"])
    'no mark "stage" in this rig; its marks: chair, lean'
    """
    return f"no {kind} {quoted(name)} in this rig; {did_you_mean(name, known, f'its {kind}s')}"


def dotted(path: Path, data: Any = None) -> str:
    """Return a path as a person writes it, with heads by name where they have one.

    >>> dotted(("heads", 0, "position", 2), {"heads": [{"name": "key"}]})
    'heads.key.position.z'
    """
    words: list[str] = []
    for i, part in enumerate(path):
        if isinstance(part, str):
            words.append(_cut(part if _BARE_KEY.fullmatch(part) else json.dumps(part, ensure_ascii=False)))
        elif path[:i] == ("heads",):
            words.append(_name_of_head(data, part))
        elif part < 3 and (path[i - 1] in _POINTS or path[0] == "marks"):
            words.append("xyz"[part])
        else:
            words[-1] += f"[{part + 1}]"
    return ".".join(words)


def _name_of_head(data: Any, index: int) -> str:
    name = data["heads"][index].get("name") if _has_head(data, index) else None
    return _cut(name) if isinstance(name, str) and _BARE_KEY.fullmatch(name) else f"#{index + 1}"


def _has_head(data: Any, index: int) -> bool:
    heads = data.get("heads") if isinstance(data, Mapping) else None
    return isinstance(heads, list | tuple) and index < len(heads) and isinstance(heads[index], Mapping)
