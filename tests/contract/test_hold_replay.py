"""Contract: minutes in the studio pass in seconds of counted time, and a journal gives the same codes again.

The journal holds every call that reached the hold with its time: orders, reports, events and ticks. Nothing
else may matter, so a second hold that hears the same must send the same codes, bit for bit.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from contract.hold_studio import CHAIR, DESK, Codes, assert_no_flash, studio
from fillside.hold.events import DriverChanged, Event
from fillside.hold.machine.hold import Hold
from fillside.orders.answers import Refusal
from fillside.orders.light import SubjectReport
from fillside.orders.model import LightOrder
from fillside.orders.parsing import parse_order
from fillside.rig.tables.model import Rig

Call = tuple[str, Any, float]
START_S = 50_000.0

ORDERS: list[dict[str, Any]] = [
    {"do": "trim", "role": "fill", "by": "-1/3"},
    {"do": "trim", "role": "fill", "by": "1/3"},
    {"do": "trim", "role": "hair", "to": "out"},
    {"do": "trim", "role": "hair", "to": 0},
    {"do": "trim", "role": "nobody", "to": 0},
    {"do": "balance", "ratio": "3:1"},
    {"do": "balance", "ratio": "2:1"},
    {"do": "camera", "iso": 800},
    {"do": "camera", "iso": 400},
    {"do": "freeze"},
    {"do": "follow"},
    {"do": "keep"},
    {"do": "dark"},
    {"do": "follow"},
    {"do": "move", "mark": "desk"},
    {"do": "only", "head": "key", "level": 0.4},
    {"do": "all"},
    {"do": "undo"},
]


class Journal:
    """Gives a hold what happens, and writes it down."""

    def __init__(self, rig: Rig) -> None:
        self.hold = Hold(rig, None, START_S)
        self.calls: list[Call] = []
        self.frames: list[tuple[float, Codes]] = [(START_S, self.hold.codes)]
        self.refused = 0

    def order(self, order: LightOrder, now: float) -> None:
        self.calls.append(("order", order, now))
        try:
            self.hold.order(order, now)
        except Refusal:
            self.refused += 1

    def event(self, event: Event, now: float) -> None:
        self.calls.append(("event", event, now))
        self.hold.event(event, now)

    def tick(self, now: float) -> None:
        self.calls.append(("tick", None, now))
        codes = self.hold.tick(now)
        if codes is not None:
            self.frames.append((now, codes))


def play(rig: Rig, seconds: float, reports_a_second: float, seed: int) -> Journal:
    """A subject who stands, sways and walks; an order every twenty seconds; wires that fail now and then."""
    rng = np.random.default_rng(seed)
    journal, now, k = Journal(rig), START_S, 0
    places = [np.array(CHAIR), np.array(DESK), np.array((-0.3, 0.2, 1.5))]
    at, to = places[0], places[0]
    while now < START_S + seconds:
        due = START_S + (k + 1) / reports_a_second
        while (wake := journal.hold.wake_in(now)) is not None and now + wake < due:
            now += wake
            journal.tick(now)
        now, k = due, k + 1
        if k % round(25 * reports_a_second) == 0:
            to = places[int(rng.integers(0, 3))]
        way = to - at
        far = float(np.sqrt(way @ way))
        at = to if far < 0.5 / reports_a_second else at + way / far * 0.5 / reports_a_second
        sway = 0.03 * math.sin(2 * math.pi * 0.25 * now)
        x, y, z = (at + rng.normal(0.0, 0.03, 3) + (sway, 0.0, 0.0)).tolist()
        journal.order(SubjectReport(do="subject", to=(x, y, z)), now)
        if k % round(20 * reports_a_second) == 0:
            journal.order(parse_order(ORDERS[int(rng.integers(0, len(ORDERS)))]), now)
        if k % round(170 * reports_a_second) == 0:
            driver = ("stage", "side")[int(rng.integers(0, 2))]
            journal.event(DriverChanged(driver, ("ok", "lost", "late", "ok")[int(rng.integers(0, 4))]), now)
        if journal.hold.wake_in(now) == 0:
            journal.tick(now)
    return journal


def replay(rig: Rig, calls: list[Call]) -> list[tuple[float, Codes]]:
    again = Journal(rig)
    for kind, what, now in calls:
        if kind == "tick":
            again.tick(now)
        else:
            getattr(again, kind)(what, now)
    return again.frames


@pytest.mark.parametrize(
    ("seconds", "reports_a_second", "pace", "when_lost"),
    [(900.0, 5.0, "calm", "solve"), (40.0, 50.0, "quick", "keep")],
)
def test_a_journal_gives_the_same_codes_bit_for_bit(
    seconds: float, reports_a_second: float, pace: str, when_lost: str
) -> None:
    rig = studio(hold={"pace": pace}, balance={"when_lost": when_lost})
    journal = play(rig, seconds, reports_a_second, seed=1)
    assert len(journal.calls) > seconds * reports_a_second
    assert len({codes for _, codes in journal.frames}) > 50
    assert_no_flash(rig, journal.frames)
    assert replay(rig, journal.calls) == journal.frames
