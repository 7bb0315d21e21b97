"""Wild rig files: every key of the schema with every sort of value, trees spoiled, and text damaged."""

from __future__ import annotations

import copy
import json
import random
import re
import tomllib
from collections.abc import Iterator
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from typing import Any

from fillside.rig.file.schema import rig_schema
from fillside.rig.problems import RigError
from fillside.rig_file import load_rig
from fillside_drivers.registry import kinds
from protocol.wild.commands import refused_by
from protocol.wild.lamps import LM63
from protocol.wild.matter import spoiled, text, torn, value
from protocol.wild.tables import CONFIG
from protocol.wild.trial import Kind, one_line, plain

Path_ = tuple[Any, ...]
Schema = dict[str, Any]
DEEPEST = 7
BARE = re.compile(r"[A-Za-z0-9_-]+")
SCRAPS = (
    b"[",
    b"]",
    b"[[",
    b"{",
    b"}",
    b"=",
    b'"',
    b'"""',
    b"'''",
    b"\n",
    b"#",
    b"\\",
    b".",
    b"\x00",
    b"\xff",
    b"nan",
)
BY_COMMAND = 20
"""One in so many of those that are no rig, and of those that are one, goes the whole way of a command."""
COMMANDS = (
    ("check",),
    ("check", "--json"),
    ("solve", "--json"),
    ("predict", "--json", "--at", "0,0,1.2"),
    ("plan",),
)


def keys_of(schema: Schema, whole: Schema, path: Path_ = ()) -> Iterator[tuple[Path_, Schema]]:
    """Every key that a schema knows, as the way there, with its own schema."""
    if len(path) > DEEPEST:
        return
    if "$ref" in schema:
        yield from keys_of(whole["$defs"][schema["$ref"].rpartition("/")[2]], whole, path)
        return
    for choice in (*schema.get("anyOf", ()), *schema.get("oneOf", ()), *schema.get("allOf", ())):
        yield from keys_of(choice, whole, path)
    for key, own in schema.get("properties", {}).items():
        yield (*path, key), own
        yield from keys_of(own, whole, (*path, key))
    named = schema.get("additionalProperties")
    for own in (*schema.get("patternProperties", {}).values(), *([named] if isinstance(named, dict) else ())):
        yield (*path, "*"), own
        yield from keys_of(own, whole, (*path, "*"))
    if isinstance(schema.get("items"), dict):
        yield from keys_of(schema["items"], whole, (*path, 0))


def toml_of(tree: dict[str, Any]) -> str:
    """A tree as TOML, table by table; what TOML cannot say is written all the same."""
    plain_keys = {key: value for key, value in tree.items() if not isinstance(value, dict | list)}
    lines = [f"{_key(key)} = {_inline(value)}" for key, value in plain_keys.items()]
    for key, inner in tree.items():
        if isinstance(inner, dict):
            lines += [
                f"[{_key(key)}]",
                *(f"{_key(name)} = {_inline(under)}" for name, under in inner.items()),
            ]
        elif isinstance(inner, list) and inner and all(isinstance(each, dict) for each in inner):
            for each in inner:
                lines += [
                    f"[[{_key(key)}]]",
                    *(f"{_key(name)} = {_inline(under)}" for name, under in each.items()),
                ]
        elif isinstance(inner, list):
            lines.insert(0, f"{_key(key)} = {_inline(inner)}")
    return "\n".join(lines) + "\n"


def _key(key: Any) -> str:
    return key if isinstance(key, str) and BARE.fullmatch(key) else _inline(str(key))


def _inline(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(key)} = {_inline(under)}" for key, under in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_inline, value)) + "]"
    if isinstance(value, str):
        said = "".join(
            c if c.isprintable() else f"\\U{ord(c):08x}" for c in json.dumps(value, ensure_ascii=False)
        )
        return said if "\ud800" not in value else said.encode("ascii", "backslashreplace").decode()
    if isinstance(value, bool):
        return str(value).lower()
    return "nil" if value is None else str(value)


class Rigs:
    """Rig files; one that is a rig after all goes on to the commands that work with it."""

    def __init__(self, folder: Path) -> None:
        self._file, self._count = folder / "rig.toml", 0
        (folder / "lamp.ies").write_text(LM63)
        self._texts = [file.read_text() for file in sorted(CONFIG.glob("*.toml"))]
        self._trees = [tomllib.loads(each) for each in self._texts]
        schema = rig_schema(kinds())
        self._keys = list(keys_of(schema, schema))
        self._names = sorted({part for path, _ in self._keys for part in path if isinstance(part, str)})
        self._words = sorted({word for _, own in self._keys for word in _words_in(own)})

    def make(self, rng: random.Random) -> bytes:
        pick = rng.random()
        if pick < 0.2:
            return torn(rng, rng.choice(self._texts).encode(), SCRAPS)
        if pick < 0.4:
            tree = spoiled(rng, rng.choice(self._trees), self._names)
        else:
            tree = copy.deepcopy(rng.choice(self._trees))
            for _ in range(rng.choice((1, 1, 1, 2, 3))):
                self._set(rng, tree)
        return toml_of(tree).encode("utf-8", "surrogatepass") if isinstance(tree, dict) else b"x = 1"

    def _set(self, rng: random.Random, tree: dict[str, Any]) -> None:
        path, schema = rng.choice(self._keys)
        here: Any = tree
        for part, after in zip(path, (*path[1:], None), strict=True):
            key = _present(rng, here, part)
            if after is None:
                here[key] = self._value(rng, schema)
                return
            wanted = list if after == 0 and isinstance(after, int) else dict
            if isinstance(here, list) and not here:
                here.append({})
            if not isinstance(here[key] if _has(here, key) else None, wanted):
                here[key] = wanted()
            here = here[key]

    def _value(self, rng: random.Random, schema: Schema) -> Any:
        pick = rng.random()
        if pick < 0.25:
            return rng.choice(self._words)
        if pick < 0.55:
            edges = [schema[key] for key in _EDGES if isinstance(schema.get(key), int | float)] or [0, 1]
            edge = rng.choice(edges)
            return rng.choice(
                (edge, edge - 1, edge + 1, -edge, edge * 1.000001, edge + 1e-9, float(edge), [edge] * 3)
            )
        return value(rng) if pick < 0.95 else text(rng)

    async def feed(self, made: bytes) -> str:
        self._file.write_bytes(made)
        self._count += 1
        refused = self._refused()
        if self._count % BY_COMMAND == 0:
            command, *options = COMMANDS[self._count // BY_COMMAND % len(COMMANDS)]
            by_command = refused_by(command, self._file, *options)
            assert by_command or not refused, refused
        elif not refused:
            refused_by("check", self._file)
        return "refused" if refused else "accepted"

    def _refused(self) -> str:
        try:
            load_rig(self._file)
        except RigError as error:
            said = one_line(str(error))
            assert said.startswith(str(self._file)), said[:200]
            return said
        return ""

    async def check(self) -> None:
        """A sound file is still read."""
        self._file.write_text(self._texts[0])
        assert self._refused() == ""


_EDGES = (
    "minimum",
    "maximum",
    "exclusiveMinimum",
    "exclusiveMaximum",
    "minLength",
    "maxLength",
    "minItems",
    "maxItems",
)


def _words_in(schema: Any) -> Iterator[str]:
    if isinstance(schema, dict):
        yield from (word for word in (*schema.get("enum", ()), schema.get("const")) if isinstance(word, str))
        for inner in schema.values():
            yield from _words_in(inner)
    elif isinstance(schema, list):
        for inner in schema:
            yield from _words_in(inner)


def _present(rng: random.Random, here: Any, part: Any) -> Any:
    """A key that is there where any name would do, and one of a list's places."""
    if part == "*":
        return rng.choice((*here, "extra")) if isinstance(here, dict) else 0
    return rng.randrange(len(here)) if isinstance(here, list) and here else part


def _has(here: Any, key: Any) -> bool:
    return key in here if isinstance(here, dict) else isinstance(key, int) and key < len(here)


def rigs(folder: Path) -> AbstractAsyncContextManager[Kind]:
    return plain(Rigs(folder))
