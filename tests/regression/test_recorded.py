"""Regression: the program does what it did when `record.py` last wrote it down.

A difference is no fault by itself. Where it is wanted, record anew (`python tests/regression/record.py`) and
say in the commit what it comes from. All three hundred studios and the whole hour are compared with
FILLSIDE_WHOLE_RECORD=1; otherwise every thirtieth studio and the first ten minutes.
"""

from __future__ import annotations

import itertools
import json
import os

import pytest

from regression.record import RECORDED, as_line, hour_lines, studio_line
from regression.studios import HOUR_S, STUDIOS, direct_studio, studio

WHOLE = os.environ.get("FILLSIDE_WHOLE_RECORD") == "1"
EVERY, MINUTES = (1, HOUR_S // 60) if WHOLE else (30, 10)


def _recorded(name: str) -> list[str]:
    return (RECORDED / f"{name}.jsonl").read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize("number", range(0, STUDIOS, EVERY))
def test_a_studio_is_solved_and_held_as_recorded(number: int) -> None:
    found = json.loads(as_line(studio_line(number, studio(number))))
    assert found == json.loads(_recorded("studios")[number])


@pytest.mark.parametrize("number", range(0, STUDIOS, EVERY))
def test_with_direct_light_alone_as_before_the_room_s_light_was_known(number: int) -> None:
    found = json.loads(as_line(studio_line(number, direct_studio(number))))
    assert found == json.loads(_recorded("direct")[number])


@pytest.mark.timeout(600)
def test_the_hours_packets_are_those_recorded() -> None:
    recorded = _recorded("hour")
    assert len(recorded) == HOUR_S // 60
    for now, then in zip(itertools.islice(hour_lines(), MINUTES), recorded, strict=False):
        assert json.loads(as_line(now)) == json.loads(then)
