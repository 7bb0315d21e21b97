"""Regression: stories that once failed, each of them short. A fault that is found leaves its story here."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulation.rules import outcome_of
from simulation.stories import Story

FOUND = Path(__file__).parent / "found"


@pytest.mark.parametrize("name", sorted(path.stem for path in FOUND.glob("*.json")))
def test_a_fault_that_was_found_stays_away(name: str) -> None:
    outcome = outcome_of(Story.from_json((FOUND / f"{name}.json").read_text("utf-8")))
    assert outcome.failed is None, outcome.told()
