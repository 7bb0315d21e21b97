"""Contract: every budget of a bench is in the table of DEVELOPERS.md, and no other is."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bench.figures import Figure
from bench.run import as_json, benches, budgets, number_text, row, table

TABLE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
HEADING = "| figure | above its floor at most | floor |"
SLOW = Figure("an answer", 4.0, "ms", floor=1.5, peer="an echo", allowance=2.0)


def shown() -> set[tuple[str, ...]]:
    lines = TABLE.read_text("utf-8").split(HEADING)[1].strip().split("\n\n")[0].splitlines()[1:]
    return {tuple(cell.strip() for cell in line.strip("|").split("|")) for line in lines}


def test_the_table_has_the_budgets_of_the_benches() -> None:
    kept = {
        (name, number_text(budget.allowance, budget.unit), budget.peer) for name, budget in budgets().items()
    }
    assert shown() == kept


def test_benches_are_found_by_their_figures() -> None:
    assert {"sacn", "start", "readers"} <= set(benches())
    assert "damages" not in benches()


@pytest.mark.parametrize(("value", "kept"), [(3.5, "yes"), (3.51, "NO")])
def test_a_figure_is_judged_by_what_is_above_its_floor(value: float, kept: str) -> None:
    figure = Figure("an answer", value, "ms", floor=1.5, peer="an echo", allowance=2.0)
    assert row(figure)[-2:] == (kept, "an echo")


def test_a_figure_without_a_budget_is_neither_kept_nor_broken() -> None:
    assert row(Figure("an answer", 4.0, "ms", floor=1.5, peer="an echo"))[4:6] == ("", "")


def test_json_has_each_figure_beside_its_floor() -> None:
    (found,) = json.loads(as_json([SLOW]))["figures"]
    assert (found["value"], found["floor"], found["over"], found["is_within"]) == (4.0, 1.5, 2.5, False)


def test_columns_stand_below_each_other() -> None:
    assert list(table([("a", "bc"), ("def", "g")])) == ["a    bc", "def  g"]
