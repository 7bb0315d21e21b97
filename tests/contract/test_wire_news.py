"""Contract: what a driver says of its health becomes, each thing once, what happened to wires and heads."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Literal

import pytest

from fillside.hold.events import (
    DriverChanged,
    HeadAnswers,
    HeadBack,
    HeadDisobeys,
    HeadLate,
    HeadLost,
    HealthEvent,
)
from fillside.runtime.wires import health_events
from fillside_drivers.driver import HeadHealth, Health

OK, LOST = HeadHealth("ok"), HeadHealth("lost")


def told(old: Health, new: Health) -> list[HealthEvent]:
    return list(health_events("bulbs", old, new))


STEPS: list[tuple[HeadHealth, HeadHealth, list[HealthEvent]]] = [
    (OK, OK, []),
    (OK, replace(OK, code=7), []),
    (OK, LOST, [HeadLost("key")]),
    (LOST, LOST, []),
    (LOST, OK, [HeadBack("key")]),
    (LOST, HeadHealth("ok", code=255, returns=1), [HeadBack("key", 255)]),
    (OK, HeadHealth("ok", code=255, returns=1), [HeadBack("key", 255)]),
    (OK, HeadHealth("late"), [HeadLate("key")]),
    (HeadHealth("late"), OK, [HeadBack("key")]),
    (HeadHealth("late"), LOST, [HeadLost("key")]),
    (LOST, HeadHealth("late"), [HeadBack("key"), HeadLate("key")]),
    (HeadHealth("disobeying", code=3), HeadHealth("late"), [HeadLate("key")]),
    (OK, HeadHealth(answers="yes", confirmed=True), [HeadAnswers("key", "yes", True)]),
    (OK, HeadHealth("lost", answers="no"), [HeadAnswers("key", "no", None), HeadLost("key")]),
    (OK, HeadHealth("disobeying", code=3), [HeadDisobeys("key", 3)]),
    (HeadHealth("disobeying", code=3), HeadHealth("disobeying", code=3), []),
    (HeadHealth("disobeying", code=3), HeadHealth("disobeying", code=4), [HeadDisobeys("key", 4)]),
    (HeadHealth("disobeying", code=3), HeadHealth("ok", code=100), [HeadBack("key")]),
    (HeadHealth("disobeying", code=3), LOST, [HeadLost("key")]),
    # Back and gone again before anybody looked.
    (LOST, HeadHealth("lost", code=9, returns=1), [HeadBack("key", 9), HeadLost("key")]),
    (OK, HeadHealth("lost", code=9, returns=1), [HeadBack("key", 9), HeadLost("key")]),
]


@pytest.mark.parametrize(("old", "new", "happened"), STEPS)
def test_a_head_s_steps(old: HeadHealth, new: HeadHealth, happened: list[HealthEvent]) -> None:
    assert told(Health(heads={"key": old}), Health(heads={"key": new})) == happened


def test_a_driver_s_steps_come_after_its_heads() -> None:
    lost = Health(state="lost", note="no broker", heads={"key": LOST})
    assert told(Health(), lost) == [HeadLost("key"), DriverChanged("bulbs", "lost", "no broker")]
    back = Health(notices=("mind",), heads={"key": HeadHealth("ok", code=9, returns=1)})
    assert told(lost, back) == [HeadBack("key", 9), DriverChanged("bulbs", "ok", "", ("mind",))]
    assert told(back, replace(back, frames_sent=9, errors=2)) == []
    assert told(lost, Health(state="lost", note="no broker")) == [HeadBack("key")]


def test_whatever_comes_in_between_the_end_is_known() -> None:
    rng = random.Random(4)
    states: tuple[Literal["ok", "late", "lost", "disobeying"], ...] = ("ok", "late", "lost", "disobeying")
    known, old = "ok", Health(heads={"key": OK})
    returns = 0
    for _ in range(2000):
        returns += rng.random() < 0.3
        head = HeadHealth(rng.choice(states), code=rng.choice([None, 3, 4]), returns=returns)
        new = Health(heads={"key": head})
        for event in told(old, new):
            known = {HeadLost: "lost", HeadLate: "late", HeadBack: "ok", HeadDisobeys: "disobeying"}[
                type(event)
            ]  # type: ignore[index]
        assert known == head.state
        old = new
