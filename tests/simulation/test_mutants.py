"""Contract: the faults that are put into the product on purpose still have their place in it."""

from __future__ import annotations

import pytest

from simulation.mutants import MUTANTS, ROOT, Mutant


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: mutant.name)
def test_a_mutant_has_its_place(mutant: Mutant) -> None:
    text = (ROOT / mutant.path).read_text("utf-8")
    assert mutant.broken(text) != text
