"""Protocol: wild input at every place where something comes in: nothing falls, nothing grows, no light moves.

A seeded dose of what `tests/bench/fuzz.py` tries half a million times; and that the watch over it would see
what it is there to see.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from protocol.wild.kinds import KINDS
from protocol.wild.trial import trial

DOSE = {"http": 150, "osc": 250, "mqtt": 250, "sacn": 500, "rig": 40, "csv": 150, "gdtf": 150}
FEW = 250


@pytest.mark.parametrize("name", KINDS)
async def test_wild_input_does_no_harm(tmp_path: Path, name: str) -> None:
    number = DOSE.get(name, FEW)
    tally = await trial(KINDS[name].open, tmp_path, seed=7420, number=number)
    assert tally.faults == {}
    assert tally.inputs == tally.became.total() == number
    assert tally.became["accepted"] > 0, "none of it was sound, so little of what reads it was reached"
    assert tally.became["refused"] > number / 3
