"""Contract: places near a limit are judged as they are, however near a good one was; and lamps that change by
themselves use up the turns that a head may make."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from contract.hold_studio import KEY_AT, Studio, studio
from fillside.hold.events import HeadsLeave
from fillside.hold.fading.fader import Fader
from fillside.hold.tracking.filter import Filter
from fillside.hold.tracking.subject import TrackedSubject
from fillside.rig.scene.scene import scene, subject_place_error

RIG = studio()
EDGES = {
    "lamp": (KEY_AT, 0.05),
    "edge": ((14.9, 0.0, 1.2), 0.3),
    "floor": ((1.0, 1.0, 0.05), 0.12),
    "ceiling": ((1.0, 1.0, 3.95), 0.12),
}


@pytest.mark.parametrize("near", EDGES)
def test_a_report_is_judged_by_its_own_place_and_not_by_one_that_was_good(near: str) -> None:
    """Each place is asked after a good one a little farther off, as a tracker walks up to a limit."""
    rng = random.Random(near)
    centre, around = EDGES[near]
    subject = TrackedSubject(RIG, 0.0, (0.0, 0.0, 1.2), "file", 0.0)
    found = {True: 0, False: 0}
    for _ in range(200):
        way = [rng.gauss(0, 1) for _ in range(3)]
        unit = [w / math.hypot(*way) for w in way]
        farther = [c + u * around * 1.6 for c, u in zip(centre, unit, strict=True)]
        x, y, z = (c + u * rng.uniform(0.2, 1.5) * around for c, u in zip(centre, unit, strict=True))
        subject.why_not((farther[0], farther[1], farther[2]))
        may = subject_place_error(RIG, (x, y, z)) is None
        assert (subject.why_not((x, y, z)) is None) is may
        found[may] += 1
    assert min(found.values()) > 20


def test_turns_that_a_lamp_makes_by_itself_count() -> None:
    """Somebody at the lamp turned it down and up twice within a second: our way down is one too many."""
    own = scene(RIG)
    full = own.full_scales[0]
    light = Fader(own, (full, 0, 0, 0), 0.0)
    for at_s, level in ((10.0, 0.5), (10.1, 1.0), (10.2, 0.5), (10.3, 1.0)):
        light.start_from({0: round(level * full)}, at_s)
    light.aim((full // 4, 0, 0, 0), 6.0)
    waited = 0.0
    for k in range(1, 120):
        at_s = 10.3 + k / 44
        light.step(at_s)
        waited = max(waited, at_s if light.waits else 0.0)
    assert 11.0 <= waited <= 11.1 + 0.06 + 1 / 44, "a second, and what a wire may hold back"
    assert light.codes[0] == full // 4
    assert np.array_equal(light.codes, light.goal)


@pytest.mark.parametrize("mode", ["follow", "freeze"])
def test_a_head_that_leaves_goes_out_and_stays_out(mode: str) -> None:
    """A changed rig file has it no more; it is to be out before its wire is given up."""
    up = Studio(RIG)
    up.settle()
    up.do(mode)
    assert up.codes[2] > 0
    up.event(HeadsLeave(("hair",)))
    up.settle()
    assert up.codes[2] == 0
    assert up.hold.have_left(["hair"])
    up.do("trim", role="hair", by=1)
    up.settle()
    assert up.codes[2] == 0
    assert min(up.codes[:2]) > 0


def test_a_freeze_while_the_work_light_goes_out_lets_it_go_out() -> None:
    up = Studio(RIG)
    up.settle()
    up.do("dark")
    up.settle()
    assert up.codes[3] > 0
    up.do("follow")
    up.wait(0.5)
    up.do("freeze")
    assert up.codes[3] > 0
    up.settle()
    assert up.codes[3] == 0


def test_a_second_report_from_another_place_is_believed_at_once() -> None:
    """One is a glitch; two that agree are somebody who was not seen for a moment."""
    seen = Filter()
    for k in range(100):
        seen.report((0.0, 0.0, 1.2), k / 50)
    assert seen.report((2.0, 1.0, 1.2), 2.00) == pytest.approx((0.0, 0.0, 1.2), abs=1e-6)
    for k in range(1, 8):
        place = seen.report((2.0, 1.0, 1.2), 2.0 + k / 50)
    assert math.dist(place, (2.0, 1.0, 1.2)) < 0.1
