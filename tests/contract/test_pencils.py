"""Contract: what draws is fetched only to draw, by two modules alone."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import fillside

HOUSE = Path(fillside.__file__).parent


def imports_of(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} imports relatively"
            found.add(node.module or "")
    return found


PENCILS = (HOUSE / "sheet" / "drawing" / "render.py", HOUSE / "sheet" / "calibration_plots.py")


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
