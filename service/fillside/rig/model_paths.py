"""Look-up in nested pydantic models by path: the tables, fields and kinds of value at a key."""

from __future__ import annotations

import json
import types
import typing
from collections.abc import Iterator
from typing import Annotated, Any, Union

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from fillside.rig.problems import Path


def models_at(root: type[BaseModel], path: Path) -> list[type[BaseModel]]:
    """Return the tables allowed at a path below `root`; none if the path leads to plain values.

    >>> from fillside.rig.tables.model import Rig
    >>> [model.__name__ for model in models_at(Rig, ("heads", 3, "dimming", "curve"))]
    ['CurveTable']
    """
    return [kind for kind in _types_at(root, path) if _is_model(kind)]


def field_at(root: type[BaseModel], path: Path) -> FieldInfo | None:
    """Return the field named by the last key of the path, or None; an index belongs to its list's key."""
    while path and isinstance(path[-1], int):
        path = path[:-1]
    if not path:
        return None
    for model in models_at(root, path[:-1]):
        if field := model.model_fields.get(str(path[-1])):
            return field
    return None


def literals_at(root: type[BaseModel], path: Path) -> list[str]:
    """Return the words allowed at a path, as its literals list them."""
    kinds = _types_at(root, path)
    return [word for kind in kinds for word in typing.get_args(kind) if isinstance(word, str)]


_PLAIN_TYPES = {
    "array": "a list",
    "boolean": "true or false",
    "integer": "a whole number",
    "number": "a number",
    "object": "a table",
    "string": "text in quotes",
}


def value_kind_at(root: type[BaseModel], path: Path) -> str:
    """Describe the kind of value of a key, with bounds or choices; "" if it takes several kinds.

    >>> from fillside.rig.tables.lamp import ModifierTable
    >>> value_kind_at(ModifierTable, ("max_watts",))
    'a number from 0.01 to 20000'
    """
    for model in models_at(root, path[:-1]):
        schema = model.model_json_schema()["properties"].get(path[-1], {})
        branches = [branch for branch in schema.get("anyOf", [schema]) if branch.get("type") != "null"]
        if len(branches) == 1:
            return _kind(branches[0])
    return ""


def _kind(schema: dict[str, Any]) -> str:
    if choices := schema.get("enum"):
        return "one of " + ", ".join(json.dumps(choice) for choice in choices)
    words = _PLAIN_TYPES.get(schema.get("type", ""), "")
    least, most = schema.get("minimum"), schema.get("maximum")
    if least is not None and most is not None:
        return f"{words} from {least:g} to {most:g}"
    return f"{words} up to {most:g}" if most is not None else words


def tables_with_key(root: type[BaseModel], path: Path, key: str) -> list[str]:
    """Return the tables at the top or just below a path that have `key`, as a person writes them."""
    found = [
        f"[{name}]"
        for name, field in root.model_fields.items()
        for kind in _flat(field.annotation)
        if _is_model(kind) and key in kind.model_fields and path[:1] != (name,)
    ]
    for model in models_at(root, path):
        for name, field in model.model_fields.items():
            if any(_is_model(kind) and key in kind.model_fields for kind in _flat(field.annotation)):
                found.insert(0, name)
    return found


def _types_at(root: type[BaseModel], path: Path) -> list[Any]:
    kinds: list[Any] = [root]
    for part in path:
        kinds = [inner for kind in kinds for inner in _step(kind, part)]
    return kinds


def _step(kind: Any, part: str | int) -> Iterator[Any]:
    if _is_model(kind):
        field = kind.model_fields.get(part)
        if field is not None:
            yield from _flat(field.annotation)
        return
    origin, args = typing.get_origin(kind), typing.get_args(kind)
    if origin is dict and isinstance(part, str):
        yield from _flat(args[1])
    elif origin in (tuple, list) and isinstance(part, int):
        yield from _flat(args[0])


def _flat(annotation: Any) -> Iterator[Any]:
    origin = typing.get_origin(annotation)
    if origin is Annotated:
        yield from _flat(typing.get_args(annotation)[0])
    elif origin in (Union, types.UnionType):
        for inner in typing.get_args(annotation):
            yield from _flat(inner)
    elif annotation is not type(None):
        yield annotation


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)
