"""Parsing a rig file: from TOML text to a checked `Rig`, with key and line of every error."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from fillside.rig.file.build import build_rig
from fillside.rig.file.positions import TomlPositions
from fillside.rig.file.referenced_files import FileReaders, with_referenced_files
from fillside.rig.problems import Path, Problem, RigError, dotted
from fillside.rig.tables.drivers import DriverKinds
from fillside.rig.tables.keys import READ_PHRASE, Keys, KeysFile, ReadPhrase
from fillside.rig.tables.model import Rig
from fillside.rig.validation import problems_from

MOST_KEYS = 1000
"""Most keys of a table; the position parser's time grows with their square."""
MOST_ITEMS = 4096
"""Most items of a list, and so the most heads of a rig; tables of angles or levels are shorter."""

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


def parse_rig(
    text: str,
    *,
    source: str = "rig.toml",
    kinds: DriverKinds | None,
    read_phrase: ReadPhrase,
    readers: FileReaders | None = None,
) -> Rig:
    """Build the rig that a TOML text describes.

    Parameters:
        text: the content of a rig file.
        source: the file's name in errors.
        kinds: the kinds of driver; None to leave the drivers' own keys unchecked.
        read_phrase: reads the phrases of `[keys]`.
        readers: read the files that the text names; without readers such a text is an error.

    Raises:
        RigError: the first problem by line; no other exception, whatever the text.
    """
    text = text.removeprefix("\ufeff")
    if not text.strip():
        raise RigError(f"the file is empty; {_NEEDED}", line=1, source=source)
    data = _parsed(text, source)
    _refuse_crowds(data, (), text, source)
    whole, problems = (data, []) if readers is None else with_referenced_files(data, readers)
    rig, others = build_rig(whole, kinds, read_phrase)
    reported = {problem.path for problem in problems}
    problems += [problem for problem in others if problem.path not in reported]
    if rig is None or problems:
        raise _first(problems, data, text, source)
    return rig


def parse_keys(text: str, *, source: str, read_phrase: ReadPhrase) -> Keys:
    """Build the `[keys]` table from a TOML text that contains nothing else.

    Raises:
        RigError: the text is anything else.
    """
    text = text.removeprefix("\ufeff")
    data = _parsed(text, source)
    _refuse_crowds(data, (), text, source)
    try:
        return KeysFile.model_validate(data, context={READ_PHRASE: read_phrase}).keys
    except ValidationError as error:
        raise _first(problems_from(error, KeysFile, data), data, text, source) from None


def decode_text(raw: bytes, source: str) -> str:
    """Decode the octets of a rig file. Raises RigError for text that is not UTF-8."""
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
