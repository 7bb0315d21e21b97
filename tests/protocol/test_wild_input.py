"""Protocol: wild input at every place where something comes in: nothing falls, nothing grows, no light moves.

A seeded dose of what `tests/bench/fuzz.py` tries half a million times; and that the watch over it would see
what it is there to see.
"""

from __future__ import annotations

import logging
from itertools import count
from pathlib import Path

import pytest

from fillside.belief import evidence
from fillside.orders.answers import Refusal
from fillside.orders.parsing import parse_order
from fillside.runtime.loop import Runner
from fillside_drivers.gdtf import archive
from fillside_drivers.sacn import sources
from protocol.broker import needs_mosquitto
from protocol.wild import trial as trial_module
from protocol.wild.kinds import KINDS
from protocol.wild.trial import trial
from protocol.wild.wires import HANDFUL

DOSE = {"http": 150, "osc": 200, "mqtt": 100, "sacn": 500, "rig": 40, "csv": 150, "gdtf": 150, "wires": 100}
FEW = 250


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=needs_mosquitto if name == "wires" else ()) for name in KINDS]
)
async def test_wild_input_does_no_harm(tmp_path: Path, name: str) -> None:
    number = DOSE.get(name, FEW)
    tally = await trial(KINDS[name].open, tmp_path, seed=7420, number=number)
    assert tally.faults == {}
    assert tally.inputs == tally.became.total() == number
    if name == "wires":
        assert tally.became["handfuls accepted"] + tally.became["handfuls refused"] == number / HANDFUL
        return
    assert tally.became["accepted"] > 0, "none of it was sound, so little of what reads it was reached"
    assert tally.became["refused"] > number / 3


def _dark_on_refusal(runner: Runner, *_: object) -> None:
    runner.light.order(parse_order({"do": "dark"}), runner._clock())
    runner._tick(runner._clock() + 0.1)


def _fall(*_: object) -> None:
    raise ZeroDivisionError("planted")


def _log_all(text: str, *_: object) -> str:
    logging.getLogger("planted").error("planted")
    return text


PLANTED: dict[str, tuple[str, object, str, object, str]] = {
    "light that moves though nothing was obeyed": ("osc", Runner, "refuse", _dark_on_refusal, "the light"),
    "an error of another kind": ("gdtf", archive, "_unpacked", _fall, "ZeroDivisionError"),
    "characters that steer a terminal": ("csv", evidence, "one_line", str, "steering"),
    "the same from a stranger on the network": ("sacn", sources, "_plain", str, "steering"),
    "a line in the log": ("csv", evidence, "one_line", _log_all, "logged: planted"),
    "an answer with a key too many": (
        "http",
        Refusal,
        "body",
        lambda _: {"error": {}, "x": 1},
        "AssertionError",
    ),
    "input that takes long": ("eulumdat", trial_module, "LONGEST_S", 0.0, "slow"),
    "a process that grows": ("eulumdat", trial_module, "_peak_mb", count(0, 100).__next__, "memory"),
}


@pytest.mark.parametrize("fault", PLANTED)
async def test_a_planted_fault_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    name, place, attribute, planted, seen = PLANTED[fault]
    monkeypatch.setattr(place, attribute, planted)
    tally = await trial(KINDS[name].open, tmp_path, seed=1, number=60)
    assert any(seen in key for key in tally.faults), list(tally.faults)
