"""Contract: the manual's tables of what wires take are those of the drivers' models, defaults and all."""

from __future__ import annotations

import re
import tomllib

import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from fillside_drivers.registry import DriverKind, kinds
from manual_text import PAGES, blocks, marked

WIRES = PAGES["wires"]
BUILT_IN = {name: kind for name, kind in kinds().items() if kind.where.startswith("fillside_drivers.")}
NEEDED = "needed"


def told(kind: str) -> list[list[list[str]]]:
    """The two tables of a kind, without their headings."""
    tables = [block for block in marked(WIRES, f"wire {kind}").strip().split("\n\n") if block.startswith("|")]
    return [
        [[cell.strip() for cell in row.strip("|").split("|")] for row in t.splitlines()[2:]] for t in tables
    ]


@pytest.mark.parametrize("kind", BUILT_IN.values(), ids=list(BUILT_IN))
def test_every_key_is_told_once_with_what_holds_when_it_is_left_out(kind: DriverKind) -> None:
    tables = told(kind.name)
    assert len(tables) == 2
    for model, rows in zip((kind.options, kind.drive), tables, strict=True):
        _compare(model, rows)


def test_the_example_of_a_bulb_is_taken_as_it_is_printed() -> None:
    example = blocks(WIRES.partition("<!-- /wire mqtt -->")[2], "toml")[0]
    drive = tomllib.loads(example)["heads"]["drive"]
    assert drive.pop("driver") == "bulbs"
    assert BUILT_IN["mqtt"].drive.model_validate(drive).model_fields_set == set(drive)


def _compare(model: type[BaseModel], rows: list[list[str]]) -> None:
    fields = model.model_fields
    assert sorted(row[0].strip("`") for row in rows) == sorted(fields)
    for name, left_out, says in rows:
        assert says, name
        assert _same(fields[name.strip("`")], left_out), (name, left_out)


def _same(field: FieldInfo, left_out: str) -> bool:
    if field.is_required():
        return left_out == NEEDED
    default = field.get_default(call_default_factory=True)
    if left_out == "":
        return default is None or default == {} or isinstance(default, BaseModel)
    written = tomllib.loads(f"x = {left_out.strip('`')}")["x"]
    return bool((tuple(written) if isinstance(written, list) else written) == default)


def test_every_kind_has_a_section_that_names_it() -> None:
    headings = re.findall(r"(?m)^## .*`([a-z-]+)`", WIRES)
    assert sorted(set(headings) & set(BUILT_IN)) == sorted(BUILT_IN)
