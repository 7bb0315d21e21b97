"""Contract: mutants that are tried by hand are faults of the kind they say; every room has tests to try."""

from __future__ import annotations

from pathlib import Path
from types import FunctionType

import pytest

from mutation.mutants import Mutant, mutants_of
from mutation.run import ROOMS, ROOT, chosen, modules_of

MODULE = '''
"""Words."""
LIMIT = 3
class Lamp:
    """Words."""
    @property
    def lit(self) -> bool:
        """Words."""
        return self.level > 0 and not self.out
    def dim(self, by: int = 1) -> None:
        if self.out:
            raise ValueError("is out", 7)
        self.level -= by
        log.info("dimmed", 7)
        self.told("dim", at=f"{by + 1}")
'''


def made(text: str) -> list[Mutant]:
    return mutants_of(Path("lamp.py"), text)


def test_every_kind_of_place_and_nothing_that_is_left_out() -> None:
    assert [(mutant.function[0], mutant.line, str(mutant)) for mutant in made(MODULE)] == [
        ("Lamp.lit", 9, "And  ->  Or"),
        ("Lamp.lit", 9, "Gt  ->  GtE"),
        ("Lamp.lit", 9, "0  ->  1"),
        ("Lamp.lit", 9, "not self.out  ->  self.out"),
        ("Lamp.dim", 11, "if self.out:  ->  if not self.out:"),
        ("Lamp.dim", 12, "raise ValueError('is out', 7)  ->  pass"),
        ("Lamp.dim", 13, "self.level -= by  ->  self.level = by"),
        ("Lamp.dim", 13, "Sub  ->  Add"),
        ("Lamp.dim", 15, "self.told('dim', at=f'{by + 1}')  ->  pass"),
        ("Lamp.dim", 15, "self.told('dim', at=f'{by + 1}')  ->  self.told('dim')"),
        ("Lamp.dim", 15, "'dim'  ->  'XXdim'"),
    ]


def test_each_fault_is_put_in_alone() -> None:
    """The same tree serves all: none is left in it for the next."""
    found = made("def brighter(a, b):\n    return min(a + 1, b)\n")
    assert [str(mutant) for mutant in found] == ["min  ->  max", "Add  ->  Sub", "1  ->  2"]
    codes = [mutant.code() for mutant in found]
    assert [FunctionType(code, {})(3, 9) for code in codes if code is not None] == [9, 2, 5]


def test_what_cannot_be_put_in_is_no_fault() -> None:
    """The code of a method that no longer knows its class does not fit where the other was."""
    found = made("class Lamp:\n    def __init__(self):\n        super().__init__()\n")
    assert [(str(mutant), mutant.code()) for mutant in found] == [("super().__init__()  ->  pass", None)]


@pytest.mark.parametrize("name", ROOMS)
def test_every_room_has_modules_and_each_pattern_tests(name: str) -> None:
    assert modules_of(ROOMS[name])
    assert [pattern for pattern in ROOMS[name].patterns if not list((ROOT / "tests").glob(pattern))] == []


def test_a_sample_is_drawn_anew_by_another_seed_alone() -> None:
    def lines(seed: int) -> list[str]:
        return [f"{mutant.line} {mutant}" for mutant in chosen(["packet"], 12, seed)[0]]

    assert len(lines(1)) == 12
    assert lines(1) == lines(1) != lines(2)
