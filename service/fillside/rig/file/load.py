"""Reading a rig file: TOML text to a checked `Rig`, every error with its key and line.

This is the one module of the package that opens a file.
"""

from __future__ import annotations

import pathlib
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from fillside.rig.file.build import build_rig
from fillside.rig.file.positions import TomlPositions
from fillside.rig.file.referenced_files import NeighbourError, Read, with_neighbours
from fillside.rig.file.validation import problems_from
from fillside.rig.problems import Path, Problem, RigError, dotted
from fillside.rig.tables.keys import READ_PHRASE, Keys, KeysFile, ReadPhrase
from fillside.rig.tables.model import Rig
from fillside.rig.tables.wiring import Kinds
from fillside_drivers.plain_files import MIB, NotPlainError, plain_bytes

__all__ = ["LARGEST_BYTES", "RigError", "load_keys", "load_rig", "load_rig_text", "rig_or_why_not"]

LARGEST_BYTES = 2 * MIB
"""A rig file is not larger; the heads of a whole opera house need half of it."""
LARGEST_NEIGHBOUR_BYTES = 64 * MIB
"""A file that a rig file names is not larger; descriptions of lamps carry pictures and models."""
LARGEST_NEIGHBOURS_BYTES = 192 * MIB
"""Nor are all of them together."""
MOST_KEYS = 1000
"""A table of a rig file has no more keys; the parser that knows places grows slow with their square."""
MOST_ITEMS = 4096
"""Nor has a list: so many heads are the most, and tables of angles or levels are shorter."""

_AT_LINE = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)$")
_LONG_NUMBER = re.compile(r"[0-9_]{4000,}")
_KEY = r"""(?:[\w-]+|"[^"\n]*"|'[^'\n]*')"""
_LONG_KEY = re.compile(rf"^[ \t]*\[{{0,2}}[ \t]*{_KEY}(?:[ \t]*\.[ \t]*{_KEY}){{64,}}", re.MULTILINE)
"""Keys with very many parts take the parser very long; nothing in a rig file is deeper than six."""
_NEEDED = "a rig file has at least [rig], [camera], [marks] and one [[heads]]"
_PLAIN_SYNTAX = {
    "Cannot overwrite a value": "this key is given twice; keep one",
    "Expected '=' after a key in a key/value pair": "expected = after a key",
    "Expected ']' at the end of a table declaration": "expected ] at the end of a [table] line",
    "Expected ']]' at the end of an array declaration": "expected ]] at the end of a [[list]] line",
    "Expected newline or end of document after a statement": "expected the end of the line here",
    "Invalid initial character for a key part": "expected a key here",
    "Invalid statement": "expected a key, a [table] or a # comment here",
    "Invalid value": 'not a value: text stands in "quotes", numbers are written such as 1.2',
    "Unclosed array": "a list is not closed; it ends with ] and has commas between its items",
    "Unclosed inline table": "a table is not closed; it ends with } on the same line",
    "Unterminated string": "text in quotes is not closed",
}
_TWICE = re.compile(r"Cannot (?:declare|redefine namespace|mutate immutable namespace) \((.*?),?\)")


def load_rig(path: str | pathlib.Path, *, kinds: Kinds | None = None) -> Rig:
    """The rig of a file, its drivers checked by their kinds (left out: all kinds there are).

    Raises RigError for a file that cannot be read or is not a sound rig.
    """
    if kinds is None:
        from fillside_drivers.registry import kinds as all_kinds

        kinds = all_kinds()
    source = str(path)
    read = _Neighbours(pathlib.Path(path).parent).read
    return load_rig_text(_text(_bytes(source), source), source=source, kinds=kinds, read=read)


def rig_or_why_not(path: str) -> Rig | str:
    """The rig of a file, or in one line what is wrong with it."""
    try:
        return load_rig(path)
    except RigError as error:
        return str(error)


def load_rig_text(
    text: str,
    *,
    source: str = "rig.toml",
    kinds: Kinds | None,
    read: Read | None = None,
    read_phrase: ReadPhrase | None = None,
) -> Rig:
    """The rig that a TOML text describes; with `kinds` None the drivers' own keys are not checked.

    `read` gives the files that the text names; without it such a text is no sound rig. `read_phrase` reads
    what keys do; left out, it is that of the orders there are. Raises RigError, and nothing else whatever the
    text, with the first problem by line.
    """
    text = text.removeprefix("\ufeff")
    if not text.strip():
        raise RigError(f"the file is empty; {_NEEDED}", line=1, source=source)
    data = _parsed(text, source)
    _refuse_crowds(data, (), text, source)
    whole, problems = (data, []) if read is None else with_neighbours(data, read, _read_mode)
    rig, others = build_rig(whole, kinds, read_phrase or _phrases())
    told = {problem.path for problem in problems}
    problems += [problem for problem in others if problem.path not in told]
    if rig is None or problems:
        raise _first(problems, data, text, source)
    return rig


def load_keys(path: str | pathlib.Path) -> Keys:
    """The keys of a file that holds nothing but a `[keys]` table.

    Raises RigError for a file that cannot be read or is no such table.
    """
    source = str(path)
    text = _text(_bytes(source), source).removeprefix("\ufeff")
    data = _parsed(text, source)
    _refuse_crowds(data, (), text, source)
    try:
        return KeysFile.model_validate(data, context={READ_PHRASE: _phrases()}).keys
    except ValidationError as error:
        raise _first(problems_from(error, KeysFile, data), data, text, source) from None


def _phrases() -> ReadPhrase:
    from fillside.orders.key_phrases import read_phrase

    return read_phrase


def _read_mode(content: bytes, mode: str | None, name: str) -> dict[str, Any]:
    from fillside_drivers.gdtf.reader import read_mode

    return read_mode(content, mode, file=name).model_dump()


def _bytes(source: str) -> bytes:
    try:
        return _plain(source, LARGEST_BYTES)
    except NeighbourError as error:
        raise RigError(str(error), source=source) from None


class _Neighbours:
    """The files that a rig file names, each read once, and not too much of them in all."""

    def __init__(self, folder: pathlib.Path) -> None:
        self._folder, self._left = folder, LARGEST_NEIGHBOURS_BYTES
        self._known: dict[str, bytes] = {}

    def read(self, name: str) -> bytes:
        if name not in self._known:
            content = _plain(str(self._folder / name), LARGEST_NEIGHBOUR_BYTES)
            self._left -= len(content)
            if self._left < 0:
                most = LARGEST_NEIGHBOURS_BYTES // MIB
                raise NeighbourError(f"with it, the files named here are larger than {most} MiB together")
            self._known[name] = content
        return self._known[name]


def _plain(source: str, most: int) -> bytes:
    try:
        return plain_bytes(source, most)
    except FileNotFoundError:
        raise NeighbourError("there is no such file") from None
    except PermissionError:
        raise NeighbourError("may not be read by this user; see the file's permissions") from None
    except NotPlainError as error:
        raise NeighbourError(str(error)) from None
    except OSError as error:
        from fillside.system_errors import why

        raise NeighbourError(f"cannot be read: {why(error)}") from None


def _text(raw: bytes, source: str) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise RigError("is text in UTF-16; save it as UTF-8", line=1, source=source)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise RigError(
            f"byte {raw[error.start]:#04x} is not UTF-8; save the file as UTF-8", line=line, source=source
        ) from None


def _parsed(text: str, source: str) -> dict[str, Any]:
    if long := _LONG_KEY.search(text):
        line = _line_of(long, text)
        raise RigError("a key has too many parts", line=line, source=source)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message, line = _plain_syntax(str(error), text)
    except RecursionError:
        message, line = "lists or tables are nested too deep to be read", _most_nested_line(text)
    except ValueError as error:
        long = _LONG_NUMBER.search(text)
        message = "a number has too many digits" if long else f"a value cannot be read: {error}"
        line = _line_of(long, text)
    raise RigError(message, line=line, source=source)


def _refuse_crowds(value: Any, path: Path, text: str, source: str) -> None:
    if isinstance(value, dict):
        if len(value) > MOST_KEYS:
            line = _line_of(_first_mention(path, text), text)
            message = f"has {len(value)} keys; no table of a rig file has more than {MOST_KEYS}"
            raise RigError(message, dotted(path), line, source=source)
        for key, inner in value.items():
            _refuse_crowds(inner, (*path, key), text, source)
    elif isinstance(value, list):
        if len(value) > MOST_ITEMS:
            line = _line_of(_first_mention(path, text), text)
            message = f"has {len(value)} items; no list of a rig file has more than {MOST_ITEMS}"
            raise RigError(message, dotted(path), line, source=source)
        for i, inner in enumerate(value):
            _refuse_crowds(inner, (*path, i), text, source)


def _most_nested_line(text: str) -> int:
    depths = [line.count("[") + line.count("{") for line in text.split("\n")]
    return depths.index(max(depths)) + 1


def _first_mention(path: Path, text: str) -> re.Match[str] | None:
    if not path:
        return None
    key = re.escape(str(path[-1]))
    return re.search(rf"^[ \t]*\[*[ \t]*(?:[\w-]+[ \t]*\.[ \t]*)*{key}[ \t]*[]=.]", text, re.MULTILINE)


def _line_of(match: re.Match[str] | None, text: str) -> int:
    return 1 if match is None else text.count("\n", 0, match.start()) + 1


def _plain_syntax(message: str, text: str) -> tuple[str, int]:
    at = _AT_LINE.search(message)
    last = text.rstrip().count("\n") + 1
    line = int(at[1]) if at and at[1] else last
    core = message[: at.start()] if at else message
    if twice := _TWICE.match(core):
        table = ".".join(re.findall(r"'([^']*)'", twice[1]))
        return f"table [{table}] is given twice; keep one", line
    if core.endswith("character '\\n'"):
        return "text in quotes is not closed on its line", line
    return _PLAIN_SYNTAX.get(core, core[:1].lower() + core[1:]), line


def _first(problems: Sequence[Problem], data: Mapping[str, Any], text: str, source: str) -> RigError:
    lines = _lines([problem.path for problem in problems], text)
    line, first = min(zip(lines, problems, strict=True), key=lambda pair: pair[0])
    return RigError(first.message, dotted(first.path, data), line, source=source, others=len(problems) - 1)


def _lines(paths: Sequence[Path], text: str) -> list[int]:
    try:
        places = TomlPositions(text)
        return [places.line_of(path) for path in paths]
    except (ValueError, RecursionError):
        return [1] * len(paths)
