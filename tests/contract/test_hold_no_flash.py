"""Contract: at most three turns of any head's light in any second, whatever arrives, and every order is
reached.

The observer sees only codes and times. That the observer itself counts as it should is checked first.
"""

from __future__ import annotations

import bisect
import math
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contract.hold_studio import Studio, assert_no_flash, most_turns_in_a_second, studio
from fillside.hold.events import HeadBack, HeadLost
from fillside.hold.fading.flash_limiter import FlashLimiter


def test_the_observer_counts_turns() -> None:
    times = [k / 40 for k in range(81)]
    waves = [0.25 * 2 ** (0.5 * math.sin(2 * math.pi * 2 * t)) for t in times]
    # Two waves a second turn four times a second; both ends of a second counted, five may fall into one.
    assert most_turns_in_a_second(times, waves) in (4, 5)
    assert most_turns_in_a_second(times, [0.25 * 2 ** (0.04 * math.sin(9 * t)) for t in times]) == 0
    assert most_turns_in_a_second(times, [0.009 * abs(math.sin(9 * t)) for t in times]) == 0
    assert most_turns_in_a_second(times, [min(1.0, 0.1 + t) for t in times]) == 0


def zigzag(up: Studio, seed: int, seconds: float) -> None:
    """Orders, reports and losses that pull the light to and fro as fast as they can."""
    rng = np.random.default_rng(seed)
    end = up.now + seconds
    while up.now < end:
        pick = rng.integers(0, 9)
        if pick < 4:
            role = ("key", "fill", "hair")[rng.integers(0, 3)]
            up.do("trim", role=role, to=float(rng.choice([-3.0, -0.3, 0.0, 0.3, 2.0])))
        elif pick == 4:
            up.do(("follow", "freeze", "dark", "follow")[rng.integers(0, 4)])
        elif pick == 5:
            up.do("balance", ratio=float(rng.choice([0.25, 1.0, 2.0, 8.0])))
        elif pick == 6:
            up.do("only", head="key", level=float(rng.random())) if rng.random() < 0.5 else up.do("all")
        elif pick == 7:
            up.event((HeadLost, HeadBack)[rng.integers(0, 2)]("fill"))
        else:
            up.see((float(rng.choice([-0.5, 0.5])), 0.0, 1.2))
        up.wait(float(rng.choice([0.005, 0.03, 0.12, 0.3])))


@pytest.mark.parametrize("speed", [1.0, 2.5, 6.0])
@pytest.mark.parametrize(("bits", "curve"), [(8, "linear"), (8, "log"), (16, "square")])
def test_no_run_of_orders_makes_a_head_turn_four_times_in_a_second(
    speed: float, bits: int, curve: str
) -> None:
    up = Studio(studio(bits=bits, curve=curve, hold={"pace": "quick", "order_speed": speed}))
    for seed in range(3):
        zigzag(up, seed, 12.0)
    assert_no_flash(up.rig, up.frames)
    goal = tuple(head["goal"]["wire"] for head in up.state["heads"])
    up.settle()
    assert tuple(head["wire"] for head in up.state["heads"]) == goal


@pytest.mark.parametrize("speed", [1.0, 3.0, 6.0])
@pytest.mark.parametrize("every", [0.05, 0.15, 0.25, 0.4])
def test_to_and_fro_waits_and_then_goes_on(speed: float, every: float) -> None:
    up = Studio(studio(hold={"order_speed": speed}))
    up.settle()
    before = up.codes
    waited = False
    for k in range(60):
        up.do("trim", role="key", to=-1.0 if k % 2 == 0 else 0)
        up.wait(every)
        waited = waited or up.state["waits"]
    assert_no_flash(up.rig, up.frames)
    assert up.settle() <= 1.0 + 1.0 / speed + 0.1
    assert up.codes == before
    # Where one order moves the light by more than the tenth that makes a turn, a fourth in a second waits.
    assert waited == (every * speed > 0.1 and every < 1 / 3)


def test_a_fade_one_way_never_waits() -> None:
    up = Studio(studio(hold={"order_speed": 6.0}))
    up.settle()
    for _ in range(12):
        up.do("trim", role="fill", by=-0.5)
        up.wait(0.05)
        assert not up.state["waits"]
    assert up.settle() <= 1.0


def test_heads_that_share_a_fade_wait_together() -> None:
    up = Studio(studio(hold={"order_speed": 6.0}))
    up.settle()
    for k in range(12):
        up.do("trim", role="key", to=-1.0 if k % 2 == 0 else 0)
        up.wait(0.12)
        if up.state["waits"]:
            break
    up.do("trim", role="fill", by=-4)
    waited_s = 0.0
    while up.hold.wake_in(up.now) is not None:
        before = up.codes
        up.wait(1 / 44)
        if up.state["waits"]:
            waited_s += 1 / 44
            assert up.codes == before
    assert 0.2 < waited_s <= 1.0
    assert_no_flash(up.rig, up.frames)


said = st.one_of(
    st.builds(
        lambda role, to: {"do": "trim", "role": role, "to": to},
        st.sampled_from(["key", "fill", "hair"]),
        st.sampled_from([-4.0, -1.0, -0.2, 0.0, 0.2, 1.0, "out"]),
    ),
    st.builds(lambda word: {"do": word}, st.sampled_from(["follow", "freeze", "dark", "undo", "all"])),
    st.builds(lambda ratio: {"do": "balance", "ratio": ratio}, st.sampled_from([0.2, 1.0, 2.0, 9.0])),
    st.builds(lambda x: {"do": "move", "to": [x, 0.0, 1.2]}, st.sampled_from([-0.6, 0.0, 0.6])),
)


@settings(max_examples=60, deadline=None)
@given(
    speed=st.sampled_from([1.0, 2.0, 4.0, 6.0]),
    play=st.lists(st.tuples(said, st.sampled_from([0.0, 0.02, 0.07, 0.16, 0.33])), min_size=6, max_size=40),
)
def test_whatever_is_ordered_no_head_flashes_and_the_end_is_reached(
    speed: float, play: list[tuple[dict[str, Any], float]]
) -> None:
    up = Studio(studio(bits=8, hold={"pace": "quick", "order_speed": speed}))
    up.wait(2.0)
    for order, pause in play:
        if order["do"] != "undo" or up.state["undo"] is not None:
            up.do(order)
        up.wait(pause)
    up.settle()
    assert_no_flash(up.rig, up.frames)
    assert up.state["settled"]


def test_the_first_change_after_a_start_counts_as_a_turn() -> None:
    """Before the start the light may have gone the other way, and nobody remembers."""
    limiter = FlashLimiter(np.array([0.25]), has_moved=True)
    bright, dim = np.array([0.30]), np.array([0.25])
    assert limiter.admit(bright, 0.0)
    assert limiter.admit(dim, 0.2)
    assert limiter.admit(bright, 0.4)
    assert not limiter.admit(dim, 0.99)
    assert limiter.admit(dim, 1.1)


def test_two_frames_that_a_wire_brings_closer_together_make_no_flash() -> None:
    """A packet of DMX512-A takes 23 ms; a frame may wait for one, and its turn be seen only in the next."""
    limiter = FlashLimiter(np.array([0.25]), has_moved=True)
    for number in range(3):
        assert limiter.admit(np.array([0.30 if number % 2 == 0 else 0.25]), 0.3 * number)
    assert not limiter.admit(np.array([0.25]), 1.0 + 2 * 0.023)


FRAME_S, PACKET_S = 1 / 44, 0.0227
SEEDS = range(160)


def frames_of_orders_at_random(random: Random) -> list[tuple[float, float]]:
    """Frames of light in stops, with their times, as the limiter admits them: a frame 44 times a second, and
    one at once with each order."""
    limiter = FlashLimiter(np.array([0.25]), has_moved=True)
    speed, goal, light = random.choice([1.0, 3.0, 6.0]), 0.0, 0.0
    frame_s, order_s, frames = 0.0, 0.05, [(0.0, 0.0)]
    while frame_s < 6.0:
        at_s = min(frame_s, order_s)
        if order_s <= at_s:
            goal = random.choice([-0.5, -0.2, -0.12, 0.0, 0.12, 0.2, 0.5])
            order_s = at_s + random.choice([0.01, 0.05, 0.1, 0.2, 0.3])
        if frame_s <= at_s:
            frame_s = at_s + FRAME_S
        most = speed * (at_s - frames[-1][0])
        there = light + max(-most, min(most, goal - light))
        if there != light and limiter.admit(np.array([0.25 * 2.0**there]), at_s):
            light = there
        frames.append((at_s, light))
    return frames


def packets_of(frames: list[tuple[float, float]], first_s: float) -> list[tuple[float, float]]:
    """Return what a wire with room for a frame in 23 ms carries: the latest wins, the others are dropped."""
    times = [at_s for at_s, _ in frames]
    sent = np.arange(first_s, times[-1], PACKET_S)
    return [(float(t), frames[bisect.bisect_right(times, t) - 1][1]) for t in sent]


def test_a_wire_that_drops_frames_shows_no_fourth_turn_either() -> None:
    """The frame of an extreme or of a turn may be dropped: then the turn is seen later, where the light goes
    on, and the window must count from there."""
    for seed in SEEDS:
        random = Random(seed)
        carried = packets_of(frames_of_orders_at_random(random), random.uniform(0.0, PACKET_S))
        times, outputs = [at_s for at_s, _ in carried], [0.25 * 2.0**stops for _, stops in carried]
        assert most_turns_in_a_second(times, outputs) <= 3, seed
