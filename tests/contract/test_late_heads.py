"""Contract: a head whose report does not come makes the numbers unsure before it counts as lost.

The studio's lamps are points without ambient light, so the distance of the ratio between two levels of the
fill follows from the levels alone, worked out here anew.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from contract.hold_studio import Studio, output, studio
from contract.lamp_studio import REPORTS, Room
from fillside.hold.events import DriverChanged, HeadAnswers, HeadBack, HeadDisobeys, HeadLate, HeadLost
from fillside.hold.health import LEAST_UNSURE_STOPS, UNSURE_AFTER_S
from fillside.runtime.loop import Runner
from fillside.runtime.wires import DriversInUse
from fillside.storage.store import Store

FILL = 1
BAND = 0.05


def come_up(reports: bool = True) -> Studio:
    up = Studio(studio(ambient={"lux": 0.0}))
    up.settle()
    if reports:
        up.event(HeadAnswers("fill", "yes", True))
    return up


def unsure(up: Studio, what: str = "ratio_stops") -> float:
    found = up.state["uncertainty"][what]
    assert found is not None
    return float(found)


def added(now: float, before: float) -> float:
    """The standard uncertainty [stops] that came to an expanded one, by the sum of squares."""
    return math.sqrt(max(now**2 - before**2, 0.0)) / 2


def apart_stops(up: Studio, code: int) -> float:
    return abs(math.log2(output(up.rig, FILL, code) / output(up.rig, FILL, up.codes[FILL])))


def rested(up: Studio, seconds: float) -> None:
    """Time passes in which nothing else happens but what the hold asks for."""
    up.wait(seconds)
    assert up.state["settled"]


@pytest.mark.parametrize("share", [0.0, 1 / 3, 2 / 3, 1.0, 3.0])
def test_a_late_head_is_unsure_up_to_where_it_last_was(share: float) -> None:
    up = come_up()
    before, code = unsure(up), up.codes[FILL] // 2
    up.event(HeadLate("fill", code))
    rested(up, share * UNSURE_AFTER_S)
    assert added(unsure(up), before) == pytest.approx(min(share, 1.0) * apart_stops(up, code), abs=0.005)


def test_one_that_was_at_the_level_sent_is_a_tenth_unsure_all_the_same() -> None:
    up = come_up()
    before = unsure(up)
    up.event(HeadLate("fill", up.codes[FILL]))
    rested(up, UNSURE_AFTER_S)
    assert added(unsure(up), before) == pytest.approx(LEAST_UNSURE_STOPS, abs=0.005)


def test_exposure_and_face_are_unsure_too_and_what_it_does_not_light_is_not() -> None:
    up = come_up()
    before, code = up.state, up.codes[FILL] // 3
    up.event(HeadLate("fill", code))
    rested(up, UNSURE_AFTER_S)
    now = up.state
    for what in ("ratio_stops", "exposure_stops", "face_stops"):
        assert now["uncertainty"][what] > before["uncertainty"][what] + 0.05
    up.event(HeadBack("fill"))
    assert up.state["uncertainty"] == before["uncertainty"]
    up.event(HeadAnswers("hair", "yes", True))
    up.event(HeadLate("hair", up.codes[2] // 3))
    rested(up, UNSURE_AFTER_S)
    now = up.state
    assert now["uncertainty"]["ratio_stops"] == pytest.approx(before["uncertainty"]["ratio_stops"])
    assert (now["ticks"]["ratio"], now["ticks"]["exposure"]) == (True, True)


def test_the_light_does_not_change_by_it() -> None:
    up = come_up()
    codes, frames = up.codes, len(up.frames)
    up.event(HeadLate("fill", 9))
    rested(up, 2 * UNSURE_AFTER_S)
    assert up.codes == codes
    assert len(up.frames) == frames
    assert up.hold.wake_in(up.now) is None


def test_nothing_that_a_late_head_makes_unknown_is_ticked() -> None:
    up = come_up()
    assert all(up.state["ticks"].values())
    up.event(HeadLate("fill", up.codes[FILL] // 2))
    at_once = up.state["ticks"]
    assert (at_once["ratio"], at_once["exposure"]) == (True, True)
    assert not at_once["balance"]
    rested(up, UNSURE_AFTER_S)
    assert not any(up.state["ticks"].values())
    up.event(HeadBack("fill"))
    assert all(up.state["ticks"].values())


@pytest.mark.parametrize(("least", "ticked"), [(0.4, True), (0.9, False)])
def test_a_tick_lasts_while_the_head_cannot_be_out_of_the_band(least: float, ticked: bool) -> None:
    up = come_up()
    up.event(HeadLate("fill", up.codes[FILL]))
    # A tenth of a stop grows past the band of a twentieth half way.
    rested(up, least * UNSURE_AFTER_S)
    assert (least * LEAST_UNSURE_STOPS <= BAND) is ticked
    assert up.state["ticks"]["ratio"] is ticked


def test_a_head_that_may_still_be_lit_though_sent_out_makes_the_rest_unsure() -> None:
    up = come_up()
    code = up.codes[FILL]
    up.do("only", head="key")
    up.settle()
    before = unsure(up, "exposure_stops")
    up.event(HeadLate("fill", code))
    rested(up, UNSURE_AFTER_S)
    assert unsure(up, "exposure_stops") > before + 0.05


def test_a_clock_that_is_set_back_makes_it_no_surer() -> None:
    up = come_up()
    up.event(HeadLate("fill", up.codes[FILL] // 2))
    rested(up, UNSURE_AFTER_S)
    sure = unsure(up)
    up.now -= 500.0
    up.tick()
    assert unsure(up) == pytest.approx(sure)
    assert up.hold.wake_in(up.now) is None


def test_a_head_that_disobeys_counts_as_it_reports() -> None:
    """Its numbers are those of the light it reports, with the uncertainty at that level and a tenth more."""
    up, other = come_up(), come_up()
    code = up.codes[FILL] // 2
    up.event(HeadDisobeys("fill", code))
    rested(up, UNSURE_AFTER_S)
    by = math.log2(output(other.rig, FILL, code) / output(other.rig, FILL, other.codes[FILL]))
    other.do("freeze")
    other.do("trim", role="fill", by=by)
    other.settle()
    assert other.codes[FILL] == pytest.approx(code, abs=2)
    assert added(unsure(up), unsure(other)) == pytest.approx(LEAST_UNSURE_STOPS, abs=0.01)


def test_a_late_wire_is_unsure_by_what_it_was_sent_since() -> None:
    up = come_up(reports=False)
    before = unsure(up)
    up.event(DriverChanged("side", "late", "busy"))
    rested(up, UNSURE_AFTER_S)
    assert unsure(up) == pytest.approx(before)
    was = up.codes[FILL]
    up.do("freeze")
    up.do("trim", role="fill", by=-1.0)
    up.settle()
    other = come_up(reports=False)
    other.do("freeze")
    other.do("trim", role="fill", by=-1.0)
    other.settle()
    assert added(unsure(up), unsure(other)) == pytest.approx(apart_stops(up, was), abs=0.01)
    assert not up.state["ticks"]["ratio"]


def test_a_lost_head_is_not_counted_and_adds_nothing() -> None:
    up, other = come_up(), come_up()
    up.event(HeadLate("fill", 9))
    rested(up, UNSURE_AFTER_S / 3)
    for one in (up, other):
        one.event(HeadLost("fill"))
    assert up.state["uncertainty"] == other.state["uncertainty"]


def test_a_changed_rig_goes_on_unsure() -> None:
    up = come_up()
    before = unsure(up)
    up.event(HeadLate("fill", up.codes[FILL] // 2))
    rested(up, UNSURE_AFTER_S)
    late = unsure(up)
    up.hold = up.hold.replaced(up.rig, None, None, up.now)
    assert late > before + 0.1
    assert unsure(up) == pytest.approx(late)


def test_the_numbers_of_a_bulb_that_falls_silent_grow_unsure_before_it_is_lost() -> None:
    room, well = Room(REPORTS), Room(REPORTS)
    for one in (room, well):
        one.run(20.0)
        one.lamp.hears = one.lamp.speaks = one is well
        one.up.do("freeze")
        one.up.do("trim", role="fill", by=-1.0)
    well.run(5.0)
    assert well.head["state"] == "ok"
    sure = unsure(well.up)
    found: list[tuple[str, float | None]] = []
    while not found or found[-1][0] != "lost":
        room.run(0.1)
        state: dict[str, Any] = room.up.state
        found.append((room.head["state"], state["uncertainty"]["ratio_stops"]))
        assert len(found) < 200
    late = [stops for state, stops in found if state == "late" and stops is not None]
    assert len(late) > 10
    assert late == sorted(late)
    # It stayed where it was, a stop above what it was sent: before it counts as lost the numbers allow that.
    assert added(late[0], sure) < 0.3
    assert added(late[-1], sure) == pytest.approx(1.0, abs=0.15)


async def test_who_looks_on_is_told_while_it_grows() -> None:
    """Time is only counted here, and the daemon turns as it would by itself."""
    up = come_up()
    clock = [up.now]
    with Store.in_memory() as store:
        runner = Runner(up.hold, DriversInUse({}, {}), store, lambda: clock[0])
        runner.event(HeadLate("fill", up.codes[FILL] // 2))
        told = [runner.state()["uncertainty"]["ratio_stops"]]
        with runner.watching() as changed:
            while (wake := up.hold.wake_in(clock[0])) is not None:
                changed.clear()
                runner._tick_due(clock[0])
                clock[0] += wake
                runner._turn()
                assert changed.is_set()
                told.append(runner.state()["uncertainty"]["ratio_stops"])
    assert len(told) > 3
    assert told == sorted(set(told))
