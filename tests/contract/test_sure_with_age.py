"""Contract: the running studio grows less sure of its light as its readings age, by the law of a random walk.

Reference: the variance of a Wiener process grows evenly with time (from memory: G. Grimmett, D. Stirzaker,
Probability and Random Processes, chapter 13). So the walk of a lamp adds its variance a day times the days to
what a reading of it says, up to the days after which the walk ends.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator

import numpy as np
import pytest

from contract.meter_studio import Made, made, rig_of, settle
from fillside.belief.belief import Belief, believe, later
from fillside.belief.evidence import Evidence, Reading
from fillside.belief.observations import (
    DARK_LUX,
    DAYLIGHT_DAYS,
    DAYLIGHT_DRIFT_STOPS,
    DRIFT_DAYS,
    LAMP_DRIFT_STOPS,
)
from fillside.belief.result.calibrating import calibration_of
from fillside.belief.result.restoring import known_belief
from fillside.doors.http.app import PlanCache
from fillside.hold.contract import HeldLight
from fillside.hold.events import CalibrationAged
from fillside.hold.machine.hold import Hold
from fillside.orders.light import Trim
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig
from fillside.runtime import loop
from fillside.runtime.loop import Runner
from fillside.runtime.wires import DriversInUse
from fillside.storage.store import Store

DAY_S = 86_400.0
THEN, THEN_S = "2026-02-10T09:00:00Z", 1_770_714_000.0
NEWER, NEWER_S = "2026-02-15T09:00:00Z", THEN_S + 5 * DAY_S
LEVEL, LUX, TIMES = 0.8, 400.0, 3


@pytest.fixture
def rig() -> Rig:
    return rig_of()


@pytest.fixture
def store() -> Iterator[Store]:
    with Store.in_memory() as opened:
        yield opened


def reading(rig: Rig, head: str = "key", time: str | None = THEN) -> Reading:
    return Reading(heads=(head,), levels=(LEVEL,), at=rig.first_mark, value=LUX, time=time)


def calibration(rig: Rig, *times: str | None) -> Calibration:
    both = [reading(rig, head, time) for time in times for head in ("key", "fill")]
    return calibration_of(believe(both, rig))


def read_again_variance(belief: Belief) -> float:
    """Variance of what the meter would show if the first reading were taken again, without its own errors."""
    return float(belief.posterior.variance(belief.point.rows[:1])[0])


def variance_of_a_walk(belief: Belief, days: float) -> float:
    """The same in closed form.

    Readings of one thing, alike, are as one that errs by their mean: their own errors shrink with their count
    and the walk since does not. That and what is believed before any reading weigh by their variances.
    """
    row = belief.point.rows[0]
    before = float(np.square(row * belief.posterior.times).sum())
    lit = LUX / (LUX + DARK_LUX)
    own = belief.sd[0] ** 2 / TIMES + (lit * LAMP_DRIFT_STOPS) ** 2 * min(days, DRIFT_DAYS)
    return before * own / (before + own)


@pytest.mark.parametrize("days", [0.0, 1.0, 4.0, 10.0, 30.0, 36_500.0])
def test_readings_of_a_lamp_age_as_a_random_walk_says(rig: Rig, days: float) -> None:
    rig = rig.model_copy(update={"ambient": rig.ambient.model_copy(update={"lux": 0.0})})
    fresh = believe(Evidence((reading(rig),) * TIMES), rig)
    aged = later(fresh, THEN_S + days * DAY_S)
    shown = float(fresh.model.lux(fresh.figures, fresh.problem.seen.quantities)[0])
    assert shown == pytest.approx(LUX, rel=0.1)
    assert read_again_variance(aged) == pytest.approx(variance_of_a_walk(aged, days), rel=0.005)
    # What is most likely stays: time alone tells nothing new.
    assert aged.z is fresh.z


def test_a_calibration_of_last_month_is_less_sure_than_one_of_yesterday(rig: Rig) -> None:
    kept = calibration(rig, THEN)
    days = {count: known_belief(rig, kept, THEN_S + count * DAY_S) for count in (0, 1, 30)}
    none, yesterday, month = (own.posterior.variance(own.point.rows[:1])[0] for own in days.values())
    assert none < yesterday < month
    precision = {count: 1 / read_again_variance(own) for count, own in days.items()}
    walk = {1: LAMP_DRIFT_STOPS**2, 30: LAMP_DRIFT_STOPS**2 * DRIFT_DAYS}
    for count, variance in walk.items():
        # What was learnt is the precision over that of the labels: 1 / (own errors + walk).
        before = 1 / float(np.square(days[count].point.rows[0] * days[count].posterior.times).sum())
        learnt = 1 / (precision[count] - before)
        learnt_at_once = 1 / (precision[0] - before)
        assert learnt - learnt_at_once == pytest.approx(variance, rel=0.05)


def test_a_studio_made_older_is_that_known_at_the_time(rig: Rig) -> None:
    kept = calibration(rig, THEN)
    there, then = THEN_S + 7 * DAY_S, known_belief(rig, kept)
    assert later(then, there).problem.noise == pytest.approx(known_belief(rig, kept, there).problem.noise)
    assert later(later(then, there), THEN_S).problem.noise == pytest.approx(then.problem.noise)


@pytest.mark.parametrize(
    ("now_s", "as_of_s"),
    [(0.0, NEWER_S), (THEN_S - 1.0, NEWER_S), (THEN_S + 1e12, NEWER_S + DRIFT_DAYS * DAY_S)],
    ids=["1970", "before", "far future"],
)
def test_a_wrong_clock_makes_no_nonsense(rig: Rig, now_s: float, as_of_s: float) -> None:
    kept = calibration(rig, THEN, NEWER)
    wrong, right = (known_belief(rig, kept, at) for at in (now_s, as_of_s))
    assert wrong.problem.noise == pytest.approx(right.problem.noise)


def test_a_reading_from_the_future_is_of_today_and_makes_no_other_older(rig: Rig) -> None:
    now_s = THEN_S + 2 * DAY_S
    kept = calibration(rig, THEN, "2099-01-01T00:00:00Z", None)
    days = known_belief(rig, kept, now_s).problem.seen.days[:6]
    assert days == pytest.approx([2.0, 2.0, 0.0, 0.0, 0.0, 0.0])


def test_daylight_ages_faster_and_for_a_day(rig: Rig) -> None:
    lux = rig.ambient.lux
    fresh = believe((Reading(at=rig.first_mark, value=lux, facing="key", time=THEN),), rig)
    lit = lux / (lux + DARK_LUX)
    for days in (0.25, 1.0, 9.0):
        aged = later(fresh, THEN_S + days * DAY_S)
        grown = aged.problem.noise[0, 0] - fresh.problem.noise[0, 0]
        assert grown == pytest.approx((lit * DAYLIGHT_DRIFT_STOPS) ** 2 * min(days, DAYLIGHT_DAYS), rel=0.05)


def uncertainty(light: HeldLight) -> tuple[float, float]:
    found = light.snapshot().uncertainty
    assert found.ratio_stops is not None
    assert found.exposure_stops is not None
    return found.ratio_stops, found.exposure_stops


def hold_at(rig: Rig, kept: Calibration | None, unix_s: float) -> Hold:
    hold = Hold(rig, calibration=kept, unix_s=unix_s)
    settle(hold)
    return hold


def test_the_held_light_is_as_sure_as_its_readings_are_new(rig: Rig) -> None:
    kept = calibration(rig, THEN)
    new, old = (hold_at(rig, kept, THEN_S + days * DAY_S) for days in (1, 30))
    assert all(month > day + 0.05 for month, day in zip(uncertainty(old), uncertainty(new), strict=True))
    assert old.codes == new.codes


def test_the_held_light_grows_less_sure_while_it_is_held(rig: Rig) -> None:
    kept = calibration(rig, THEN)
    hold, month_s = hold_at(rig, kept, THEN_S + DAY_S), THEN_S + 30 * DAY_S
    before, codes = uncertainty(hold), hold.codes
    hold.event(hold.ageing(month_s)(), 90.0)
    after = uncertainty(hold)
    assert all(now > then + 0.05 for now, then in zip(after, before, strict=True))
    assert after == pytest.approx(uncertainty(hold_at(rig, kept, month_s)))
    assert (hold.codes, hold.wake_in(90.0)) == (codes, None)


def test_what_was_found_for_another_calibration_is_not_taken(rig: Rig) -> None:
    kept = calibration(rig, THEN)
    hold = hold_at(rig, kept, THEN_S)
    late: CalibrationAged = hold.ageing(THEN_S + 30 * DAY_S)()
    other = hold.replaced(rig, calibration(rig, THEN, THEN), None, 90.0)
    before = uncertainty(other)
    other.event(late, 91.0)
    assert uncertainty(other) == before


async def test_the_daemon_grows_less_sure_by_the_time_of_day(
    rig: Rig, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loop, "AGED_EVERY_S", 0.01)
    store.unix_clock = lambda: THEN_S
    runner = Runner(hold_at(rig, calibration(rig, THEN), THEN_S), DriversInUse({}, {}), store, lambda: 1.0)
    before = runner.state()["uncertainty"]
    job = asyncio.create_task(runner.age())
    try:
        with runner.watching() as changed:
            store.unix_clock = lambda: THEN_S + 30 * DAY_S
            async with asyncio.timeout(60):
                await changed.wait()
    finally:
        job.cancel()
    assert runner.state()["uncertainty"]["ratio_stops"] > before["ratio_stops"] + 0.05


async def test_the_plan_of_the_daemon_is_as_sure_as_the_day_allows(rig: Rig) -> None:
    plans, kept = PlanCache(), calibration(rig, THEN)
    first = await plans.plan(rig, kept, THEN_S, wander=False)
    assert await plans.plan(rig, kept, THEN_S + 1.0, wander=False) is first
    later_on = await plans.plan(rig, kept, THEN_S + 30 * DAY_S, wander=False)
    sure = [plan.marks[0].balance.uncertainty.ratio_stops or 0.0 for plan in (first, later_on)]
    assert sure[1] > sure[0] + 0.05


async def test_a_studio_read_anew_is_sure_again(rig: Rig, store: Store) -> None:
    async with made(rig, store) as here:
        await read(here, 0.0)
        sure_once = uncertainty(here.hold)
        here.hold.event(here.hold.ageing(THEN_S + 30 * DAY_S)(), 1.0)
        old = uncertainty(here.hold)
        await read(here, 30.0)
        again = uncertainty(here.hold)
    assert old[0] > sure_once[0] + 0.05
    assert again[0] < old[0] - 0.05


async def read(here: Made, days: float) -> None:
    here.store.unix_clock = lambda: THEN_S + days * DAY_S
    for head in ("key", "fill"):
        await here.do(do="read", head=head, level=LEVEL, at="chair", value=LUX)


def test_an_order_is_obeyed_alike_by_an_old_calibration(rig: Rig) -> None:
    kept = calibration(rig, THEN)
    codes = []
    for days in (0, 300):
        hold = hold_at(rig, kept, THEN_S + days * DAY_S)
        hold.order(Trim(do="trim", role="key", by=-0.5), 1.0)
        now = 1.0
        while (wake := hold.wake_in(now)) is not None:
            now += wake
            hold.tick(now)
        codes.append(hold.codes)
    assert codes[0] == codes[1]
