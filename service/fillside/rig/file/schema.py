"""The JSON Schema 2020-12 of the rig file, including the keys of each kind of driver."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue, models_json_schema
from pydantic_core import core_schema

from fillside.rig.tables.drivers import DriverKinds
from fillside.rig.tables.model import Drive, DriverTable, Rig

DIALECT = "https://json-schema.org/draft/2020-12/schema"


class _OfToml(GenerateJsonSchema):
    """Schema generator for TOML, which has no null; tables of named things accept only valid names."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        made = super().default_schema(schema)
        if not isinstance(made.get("default", True), str | int | float):
            made.pop("default")
        return made

    def dict_schema(self, schema: core_schema.DictSchema) -> JsonSchemaValue:
        made = super().dict_schema(schema)
        return {**made, "additionalProperties": False} if "patternProperties" in made else made

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def rig_schema(kinds: DriverKinds) -> dict[str, Any]:
    """Return the JSON Schema of a rig file whose drivers are of `kinds`.

    It covers every key, type, bound and choice. Only the loader finds contradictions, such as unknown names,
    overlapping slots and impossible places.
    """
    models: list[type[BaseModel]] = [Rig, Drive, DriverTable]
    for kind in kinds.values():
        models += [model for form in kind.forms for model in (form.options, form.drive)]
    refs, made = models_json_schema(
        [(model, "validation") for model in dict.fromkeys(models)], schema_generator=_OfToml
    )
    parts: dict[str, Any] = made["$defs"]
    name_of = {model: reference["$ref"].rpartition("/")[2] for (model, _), reference in refs.items()}
    driver = parts[name_of[Drive]]["properties"]["driver"]
    tables, drives = [], []
    for word, kind in sorted(kinds.items()):
        of_kind = {"const": word, "description": "the kind of driver"}
        for form in kind.forms:
            tables.append(_joined(parts[name_of[form.options]], "kind", of_kind))
            drives.append(_joined(parts[name_of[form.drive]], "driver", driver))
    parts[name_of[DriverTable]] = {"description": "One wire.", "anyOf": tables}
    parts[name_of[Drive]] = {"description": "Which driver lights the head, and where.", "anyOf": drives}
    rig = {**parts.pop(name_of[Rig]), "title": "Fillside rig file"}
    return {"$schema": DIALECT, **rig, "$defs": _used(rig, parts)}


def _joined(part: dict[str, Any], key: str, schema: dict[str, Any]) -> dict[str, Any]:
    """Add the key that selects a kind to the kind's own keys."""
    properties = {key: schema, **part.get("properties", {})}
    return {**part, "properties": properties, "required": [key, *part.get("required", [])]}


def _used(rig: dict[str, Any], parts: dict[str, Any]) -> dict[str, Any]:
    """Return the definitions reachable from the top."""
    used: dict[str, Any] = {}
    open_ends = [rig]
    while open_ends:
        for name in _references(open_ends.pop()):
            if name not in used:
                used[name] = parts[name]
                open_ends.append(parts[name])
    return dict(sorted(used.items()))


def _references(schema: Any) -> list[str]:
    if isinstance(schema, dict):
        own = [schema["$ref"].rpartition("/")[2]] if isinstance(schema.get("$ref"), str) else []
        return own + [name for value in schema.values() for name in _references(value)]
    if isinstance(schema, list):
        return [name for value in schema for name in _references(value)]
    return []
