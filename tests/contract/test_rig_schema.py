"""Contract: the JSON Schema of the rig file and the loader know the same keys, bounds and choices.

The schema is judged by the general-purpose validator `jsonschema` under its 2020-12 dialect.
"""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from fillside.rig.file.build import build_rig
from fillside.rig.file.schema import rig_schema
from fillside.rig.tables.model import Rig
from fillside_drivers.registry import kinds

EXAMPLES = sorted((Path(__file__).parents[2] / "config").glob("*.toml"))
BAD = sorted((Path(__file__).parent / "bad_rigs").glob("*.toml"))

SECOND_LOOK = {
    *("aim-at-itself", "aim-at-no-mark", "background-without-point", "driver-unknown", "efficiency-and-loss"),
    *("fixed-with-drive", "head-name-twice", "lamp-must-not-dim", "levels-not-rising", "looks-at-itself"),
    *("looks-at-no-mark", "lux-and-directions", "mark-at-the-camera", "mark-in-a-lamp", "mark-named-camera"),
    *("mark-too-far", "mark-too-high", "missing-drive", "missing-fps", "missing-intensity", "missing-iso"),
    *("missing-shutter", "outputs-end-below-one", "outputs-falling", "outputs-too-few", "over-max-watts"),
    *("ratio-in-stops-on-the-face", "ratio-one-with-key-added", "ratio-to-nothing", "ratio-too-wide"),
    *("ratio-with-dash", "relative-key", "against-work", "role-unknown", "shutter-both-ways"),
    *("shutter-unreadable", "slots-overlap", "spread-and-beam", "subject-at-no-mark", "two-slots-at-512"),
    *("destination-unreadable", "missing-slot", "mqtt-same-topic", "not-a-number"),
    *("door-meter-at-no-mark", "door-meter-facing-nothing", "door-secret-in-the-file", "osc-open-to-all"),
    *("osc-host-name", "osc-allow-with-host-bits", "keys-unknown-key", "keys-unknown-word"),
    *("keys-unknown-role", "keys-unknown-head", "keys-bad-stops", "keys-programme-no-mark"),
    "room-that-loses-no-light",
}
"""Bad rigs whose fault lies between keys, inside a text, in a number JSON does not have, or in a drive that
suits another kind than its driver's."""


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    return rig_schema(kinds())


@pytest.fixture(scope="module")
def judge(schema: dict[str, Any]) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(schema)


def read(path: Path) -> dict[str, Any]:
    return tomllib.loads(path.read_text(encoding="utf-8"))


def test_the_schema_is_a_valid_schema_and_plain_json(schema: dict[str, Any]) -> None:
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)
    assert json.loads(json.dumps(schema, allow_nan=False)) == schema
    assert '"null"' not in json.dumps(schema)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_examples_follow_the_schema(path: Path, judge: jsonschema.Draft202012Validator) -> None:
    judge.validate(read(path))


@pytest.mark.parametrize(
    "path", [path for path in BAD if "syntax" not in path.stem], ids=lambda path: path.stem
)
def test_the_schema_refuses_what_needs_no_second_look(
    path: Path, judge: jsonschema.Draft202012Validator
) -> None:
    assert judge.is_valid(read(path)) == (path.stem in SECOND_LOOK)


def tables(data: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    if isinstance(data, dict):
        yield path
        for key, value in data.items():
            yield from tables(value, (*path, key))
    elif isinstance(data, list):
        for i, value in enumerate(data):
            yield from tables(value, (*path, i))


FREE = {("marks",), ("drivers",), ("balance", "relative"), ("balance", "against"), ("keys", "press")}
"""Tables whose keys are names given by whoever writes the file."""


def at(data: Any, path: tuple[str | int, ...]) -> Any:
    for part in path:
        data = data[part]
    return data


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_both_refuse_an_unknown_key_in_every_table(
    path: Path, judge: jsonschema.Draft202012Validator
) -> None:
    data = read(path)
    seen = 0
    for table in tables(data):
        changed = copy.deepcopy(data)
        at(changed, table)["Unknown Key"] = 1
        rig, problems = build_rig(changed, kinds())
        assert rig is None
        assert (*table, "Unknown Key") in [problem.path for problem in problems]
        assert not judge.is_valid(changed)
        seen += table not in FREE
    assert seen >= 10


def keys_of_schema(schema: dict[str, Any], part: dict[str, Any], seen: tuple[str, ...] = ()) -> Iterator[str]:
    """All key names below a part of the schema."""
    if "$ref" in part and (name := part["$ref"].rpartition("/")[2]) not in seen:
        yield from keys_of_schema(schema, schema["$defs"][name], (*seen, name))
    for word in ("properties", "patternProperties"):
        for key, inner in part.get(word, {}).items():
            if word == "properties":
                yield key
            yield from keys_of_schema(schema, inner, seen)
    for inner in [*part.get("anyOf", []), *part.get("prefixItems", []), part.get("items")]:
        if isinstance(inner, dict):
            yield from keys_of_schema(schema, inner, seen)


def keys_of_model(schema: Any) -> set[str]:
    """All key names of pydantic's own schema of the models that read the file."""
    found = set()
    if isinstance(schema, dict):
        found |= set(schema.get("properties", {}))
        for value in schema.values():
            found |= keys_of_model(value)
    elif isinstance(schema, list):
        for value in schema:
            found |= keys_of_model(value)
    return found


def test_the_schema_has_all_keys_that_the_models_read_and_no_other(schema: dict[str, Any]) -> None:
    read_by = [Rig, *(model for kind in kinds().values() for model in (kind.options, kind.drive))]
    expected = set().union(*(keys_of_model(model.model_json_schema()) for model in read_by))
    assert set(keys_of_schema(schema, schema)) == expected
