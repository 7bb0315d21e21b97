"""The planning room is pure and looks only toward light, rig and balance; no other room needs it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import fillside

HOUSE = Path(fillside.__file__).parent
PLANNING = sorted((HOUSE / "planning").glob("*.py"))
MAY_SEE = ("fillside.photometry", "fillside.rig", "fillside.balance", "fillside.planning")
ALLOWED = {
    *("__future__", "collections", "dataclasses", "functools", "math", "re", "typing", "tomllib"),
    *("numpy", "pydantic"),
}


def imports_of(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} imports relatively"
            found.add(node.module or "")
    return found


@pytest.mark.parametrize("path", PLANNING, ids=lambda path: path.stem)
def test_planning_opens_nothing_and_reads_no_clock(path: Path) -> None:
    for name in imports_of(path):
        if name.startswith("fillside"):
            assert name.startswith(MAY_SEE)
            assert name != "fillside.rig.load"
        else:
            assert name.partition(".")[0] in ALLOWED
    calls = [node.func for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, ast.Call)]
    assert "open" not in {call.id for call in calls if isinstance(call, ast.Name)}


@pytest.mark.parametrize("room", ["photometry", "rig", "balance", "calibration", "hold"])
def test_nothing_that_holds_the_light_looks_into_planning(room: str) -> None:
    for path in (HOUSE / room).rglob("*.py"):
        assert not any(name.startswith("fillside.planning") for name in imports_of(path)), path


PENCILS = (HOUSE / "interfaces" / "sheet" / "render.py", HOUSE / "interfaces" / "plots.py")


def test_matplotlib_is_imported_by_the_two_pencils_alone() -> None:
    for path in HOUSE.rglob("*.py"):
        if any(name.partition(".")[0] == "matplotlib" for name in imports_of(path)):
            assert path in PENCILS


@pytest.mark.parametrize("path", PENCILS, ids=lambda path: path.stem)
def test_a_pencil_is_fetched_only_to_draw(path: Path) -> None:
    pencil = ast.parse(path.read_text("utf-8"))
    guarded = [node for node in pencil.body if isinstance(node, ast.If)]
    top = [node for node in pencil.body if isinstance(node, ast.Import | ast.ImportFrom)]
    assert len(guarded) == 1, "only for type checking"
    assert not any("matplotlib" in ast.unparse(node) for node in top)
