"""Contract: rules of the house that every module keeps, of names, models, folders, and docstrings."""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import fillside
import fillside_drivers

HOUSES = (Path(fillside.__file__).parent, Path(fillside_drivers.__file__).parent)
MOST_MODULES = 13
"""In one folder, beside its `__init__`; a folder with more has sub-folders by idea."""
FEWEST_LINES = 40
SHORT = {
    "fillside/background/turns.py": "a turnstile for the event loop",
    "fillside/system_errors.py": "puts the drivers' words and the database's together; not pure",
    "fillside/text/escapes.py": "the one place that knows what may not reach a terminal",
    "fillside_drivers/dmx_serial/options.py": "read where the serial library is not installed",
    "fillside_drivers/gdtf/mode.py": "known to slots, which need neither zip nor XML",
    "fillside_drivers/retry.py": "public: drivers from elsewhere use it",
}
"""Modules under `FEWEST_LINES` lines, and the idea that each has to itself."""
RIDDLES = frozenset({"how", "what", "when", "where", "whether", "which", "who", "whom", "whose", "why"})
"""A docstring that opens with one of these states nothing."""


@cache
def trees() -> dict[str, ast.Module]:
    """Every module of the product, by its path under its house's parent."""
    paths = [path for house in HOUSES for path in sorted(house.rglob("*.py"))]
    return {
        path.relative_to(next(h.parent for h in HOUSES if h in path.parents)).as_posix(): ast.parse(
            path.read_text("utf-8")
        )
        for path in paths
    }


def classes() -> Iterator[tuple[str, ast.ClassDef]]:
    for path, tree in trees().items():
        yield from ((path, node) for node in ast.walk(tree) if isinstance(node, ast.ClassDef))


def test_a_class_name_means_one_thing() -> None:
    where: dict[str, list[str]] = {}
    for path, node in classes():
        where.setdefault(node.name, []).append(path)
    assert {name: paths for name, paths in where.items() if len(paths) > 1} == {}


def test_no_model_takes_keys_that_it_does_not_name() -> None:
    found = [
        f"{path}:{node.lineno}"
        for path, tree in trees().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.keyword)
        and node.arg == "extra"
        and isinstance(node.value, ast.Constant)
        and node.value.value == "allow"
    ]
    assert found == []


def test_a_package_names_nothing_in_public() -> None:
    """What a room offers is imported from the module that has it; `__init__` says what the room is for."""
    found = {
        path: [type(node).__name__ for node in tree.body[1:]]
        for path, tree in trees().items()
        if path.endswith("__init__.py") and path != "fillside/cli/__init__.py"
    }
    assert {path: nodes for path, nodes in found.items() if nodes} == {}
    assert [path for path in found if ast.get_docstring(trees()[path]) is None] == []


def test_a_folder_is_taken_in_at_a_glance() -> None:
    folders = Counter(path.rpartition("/")[0] for path in trees() if not path.endswith("__init__.py"))
    assert {folder: count for folder, count in folders.items() if count > MOST_MODULES} == {}


def test_a_module_is_more_than_a_fragment() -> None:
    lines = {
        path: len((house.parent / path).read_text("utf-8").splitlines())
        for house in HOUSES
        for path in trees()
        if (house.parent / path).exists() and not path.endswith("__init__.py")
    }
    short = {path for path, count in lines.items() if count < FEWEST_LINES}
    assert short - set(SHORT) == set(), "belongs into the module that it was cut from, or states its reason"
    assert set(SHORT) - short == set(), "is short no more: strike its reason"


@pytest.mark.parametrize("house", HOUSES, ids=lambda house: str(house.name))
def test_docstrings_state_something(house: Path) -> None:
    found = []
    for path, tree in trees().items():
        if path.split("/")[0] != house.name:
            continue
        for node in ast.walk(tree):
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
                said = ast.get_docstring(node) or ""
                if said and said.split()[0].lower().strip(",:;") in RIDDLES:
                    line = getattr(node, "lineno", 1)
                    found.append(f"{path}:{line} {said.splitlines()[0]}")
    assert found == []
