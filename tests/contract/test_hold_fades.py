"""Contract: fades go straight in stops, at their speed, end on their codes, and a clock that jumps cannot
hurry them."""

from __future__ import annotations

import itertools
import math

import pytest

from contract.hold_studio import Studio, output, steepest_stops_per_s, studio

KEY, FILL, HAIR, HOUSE = range(4)
FRAME_S = 1 / 44


@pytest.fixture
def held() -> Studio:
    up = Studio(studio(balance={"relative": {"hair": -1.0}}))
    up.settle()
    up.wait(1.0)
    up.frames = [(up.now, up.codes)]
    return up


def stops(held: Studio, head: int, codes: tuple[int, ...]) -> float:
    return math.log2(output(held.rig, head, codes[head]))


def test_the_first_changed_frame_comes_at_once_and_is_one_frame_long(held: Studio) -> None:
    held.wait(100.0)
    before = held.codes
    held.do("trim", role="key", by=-3)
    assert held.frames[-1][0] == held.now
    assert stops(held, KEY, before) - stops(held, KEY, held.codes) == pytest.approx(FRAME_S, abs=0.001)


def test_all_heads_take_one_time_and_key_over_fill_goes_straight(held: Studio) -> None:
    before = held.codes
    held.do("balance", ratio="6:1")
    took = held.settle()
    after = held.codes
    change = [abs(stops(held, i, after) - stops(held, i, before)) for i in (KEY, FILL, HAIR)]
    assert took == pytest.approx(max(change) / 1.0, abs=1.5 * FRAME_S)
    old, new = (stops(held, KEY, codes) - stops(held, FILL, codes) for codes in (before, after))
    start = held.frames[0][0]
    for t, codes in held.frames[1:]:
        share = min(1.0, (t - start + FRAME_S) / max(change))
        # Within the rounding of two 16-bit codes.
        line = old + share * (new - old)
        assert stops(held, KEY, codes) - stops(held, FILL, codes) == pytest.approx(line, abs=0.002)


@pytest.mark.parametrize("speed", [0.5, 1.0, 6.0])
def test_no_head_is_faster_than_the_order_speed(speed: float) -> None:
    up = Studio(studio(hold={"order_speed": speed}))
    up.settle()
    for order in ("dark", "follow"):
        up.do(order)
        up.settle()
    up.do("balance", ratio="1:4")
    up.wait(0.3)
    up.do("balance", ratio="4:1")
    up.settle()
    for head in (KEY, FILL, HAIR):
        assert steepest_stops_per_s(up.rig, up.frames, head, above=0.01) <= speed * 1.001


@pytest.mark.parametrize("floor", [0.001, 0.05, 0.3])
def test_below_the_knee_light_runs_linearly_for_three_tenths_of_a_second(floor: float) -> None:
    up = Studio(studio(floor=floor))
    up.settle()
    knee = max(0.01, floor)
    up.frames = []
    up.do("trim", role="key", to="out")
    up.settle()
    tail = [(t, output(up.rig, KEY, c[KEY])) for t, c in up.frames if output(up.rig, KEY, c[KEY]) < knee]
    lasted = tail[-1][0] - tail[0][0]
    assert lasted == pytest.approx(0.3, abs=2 * FRAME_S)
    for (t0, a), (t1, b) in itertools.pairwise(tail[:-1]):
        assert (a - b) / (t1 - t0) == pytest.approx(knee / 0.3, rel=0.02)


@pytest.mark.parametrize("curve", ["square", "linear", "log"])
@pytest.mark.parametrize("bits", [8, 16])
def test_a_fade_never_oversteps_its_end(curve: str, bits: int) -> None:
    up = Studio(studio(bits=bits, curve=curve))
    up.settle()
    for ratio in ("5:1", "1:3", "2:1"):
        start = up.codes
        up.frames = []
        up.do("balance", ratio=ratio)
        up.settle()
        for head in (KEY, FILL, HAIR):
            low, high = sorted((start[head], up.codes[head]))
            codes = [c[head] for _, c in up.frames]
            assert all(low <= code <= high for code in codes)
            assert codes in (sorted(codes), sorted(codes, reverse=True))


def test_a_new_order_in_a_fade_goes_on_from_the_light_of_then(held: Studio) -> None:
    held.do("trim", role="key", by=-4)
    held.wait(1.0)
    halfway = stops(held, KEY, held.codes)
    held.do("trim", role="key", by=4)
    assert abs(stops(held, KEY, held.codes) - halfway) < 2 * FRAME_S
    assert held.settle() == pytest.approx(1.0, abs=0.1)


def test_a_step_of_the_clock_counts_as_a_tenth_of_a_second_at_most(held: Studio) -> None:
    held.do("trim", role="key", by=-4)
    before = stops(held, KEY, held.codes)
    held.now += 3600
    held.tick()
    assert before - stops(held, KEY, held.codes) == pytest.approx(0.1, abs=0.001)
    before = stops(held, KEY, held.codes)
    held.now -= 3600
    held.tick()
    assert stops(held, KEY, held.codes) == before
    assert held.settle() == pytest.approx(4 - 0.1 - FRAME_S, abs=2 * FRAME_S)


def test_a_clock_set_back_at_rest_does_not_stop_the_light(held: Studio) -> None:
    held.now -= 1e6
    held.do("trim", role="key", by=-1)
    assert held.settle() == pytest.approx(1.0, abs=2 * FRAME_S)


def test_many_small_orders_are_no_faster_than_one(held: Studio) -> None:
    start, begin = stops(held, KEY, held.codes), held.now
    for _ in range(200):
        held.do("trim", role="key", by=-0.01)
        held.now += 0.001
    assert start - stops(held, KEY, held.codes) <= 1.0 * (held.now - begin) + FRAME_S + 0.001
    held.settle()
    assert start - stops(held, KEY, held.codes) == pytest.approx(2.0, abs=0.02)


def test_nothing_is_due_at_rest(held: Studio) -> None:
    assert held.hold.wake_in(held.now) is None
    assert held.hold.tick(held.now + 5) is None


@pytest.mark.parametrize("speed", [1.0, 3.0, 6.0])
@pytest.mark.parametrize("late_s", [0.06, 0.1, 3.0])
def test_a_late_frame_is_no_step_that_a_person_sees_at_any_speed(speed: float, late_s: float) -> None:
    up = Studio(studio(hold={"order_speed": speed}))
    up.settle()
    up.do("trim", role="key", by=-4)
    up.wait(0.1)
    while up.hold.wake_in(up.now) is not None:
        before = output(up.rig, KEY, up.codes[KEY])
        up.now += late_s
        up.tick()
        up.now += 1 / 44
        up.tick()  # with the late one in one packet
        assert math.log2(before / output(up.rig, KEY, up.codes[KEY])) <= 0.35
