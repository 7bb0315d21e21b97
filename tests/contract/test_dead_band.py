"""Contract: on a calm pace the light rests within the dead band of ratio and exposure, and no sway moves it.

What is metered at the subject's true place is worked out here from the codes, by the inverse-square law:
flat receptors to key and fill, a dome toward the camera, which weighs light by (1 + cos) / 2, and a flat
receptor on each cheek, turned 45 degrees.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest

from contract.hold_studio import CANDELAS, CHAIR, Codes, Studio, light, output, studio
from fillside.hold.events import DaylightChanged
from fillside.rig.tables.model import Rig

Place = tuple[float, float, float]
Path = Callable[[float], Place]
BAND = 0.15
ROUNDING = 0.01
CAMERA = np.array([0.0, -2.4, 1.4])
KEY = 0
SIDEWAYS = (1.0, 0.0, 0.0)
STEEPEST = (0.93, -0.1, 0.36)
"""The way on which the ratio changes fastest, by 2.4 stops a metre."""


def calm(**tables: Any) -> Studio:
    up = Studio(studio(**{"hold": {"pace": "calm"}, **tables}))
    up.settle()
    return up


def moved(way: Sequence[float], metres: float, start: Sequence[float] = CHAIR) -> Place:
    x, y, z = (s + metres * w for s, w in zip(start, way, strict=True))
    return x, y, z


def track(up: Studio, path: Path, seconds: float, rate: float = 10.0) -> None:
    """Report a path from now on."""
    start = up.now
    for k in range(round(seconds * rate)):
        up.wait(max(0.0, start + k / rate - up.now))
        up.see(path(k / rate))


def sway(way: Sequence[float], amplitude_m: float, period_s: float, phase: float) -> Path:
    return lambda t: moved(way, amplitude_m * math.sin(2 * math.pi * t / period_s + phase))


def ratio_stops(rig: Rig, codes: Codes, place: Sequence[float]) -> float:
    lux = light(rig, codes, place)
    return math.log2(lux["key"] / lux["fill"])


def exposure_lux(rig: Rig, codes: Codes, place: Sequence[float]) -> float:
    """A dome toward the camera, in the light of key and fill."""
    at, total = np.array(place), 0.0
    axis = (CAMERA - at) / np.linalg.norm(CAMERA - at)
    for i in (0, 1):
        way = np.array(rig.heads[i].position) - at
        cosine = float(way @ axis) / float(np.linalg.norm(way))
        total += output(rig, i, codes[i]) * CANDELAS / float(way @ way) * (1 + cosine) / 2
    return total


def brighter_cheek_lux(rig: Rig, codes: Codes, place: Sequence[float]) -> float:
    """A flat receptor 45 degrees to either side of where the face looks, in the light of all but the work
    light."""
    at = np.array(place)
    look = (CAMERA - at) / np.linalg.norm(CAMERA - at)
    right = np.array([look[1], -look[0], 0.0]) / math.hypot(look[0], look[1])
    sides = []
    for side in (right, -right):
        axis, lux = (look + side) / math.sqrt(2), 0.0
        for i in (0, 1, 2):
            way = np.array(rig.heads[i].position) - at
            cosine = max(0.0, float(way @ axis) / float(np.linalg.norm(way)))
            lux += output(rig, i, codes[i]) * CANDELAS / float(way @ way) * cosine
        sides.append(lux)
    return max(sides)


def off_stops(up: Studio, place: Sequence[float]) -> float:
    """The larger error of ratio (wanted: a stop) and exposure."""
    wanted_lux = up.state["target"]["exposure_lux"]
    exposure = math.log2(exposure_lux(up.rig, up.codes, place) / wanted_lux)
    return max(abs(ratio_stops(up.rig, up.codes, place) - 1.0), abs(exposure))


def test_errors_of_key_and_fill_that_add_up_in_the_ratio_are_not_left() -> None:
    """Nearer to the key and farther from the fill, each by less than the band, the ratio is off by both."""
    up, there = calm(), moved(SIDEWAYS, 0.11)
    key, fill = (
        math.log2(light(up.rig, up.codes, there)[name] / light(up.rig, up.codes, CHAIR)[name])
        for name in ("key", "fill")
    )
    assert 0.0 < key < BAND
    assert -BAND < fill < 0.0
    assert key - fill > BAND + 0.05
    track(up, lambda t: there, 10.0)
    up.settle()
    assert off_stops(up, there) <= 0.05


@pytest.mark.parametrize("seed", range(3))
def test_at_rest_ratio_and_exposure_are_within_the_band_wherever_that_is(seed: int) -> None:
    rng = random.Random(seed)
    up, at = calm(), CHAIR
    for _ in range(4):
        way = [rng.gauss(0, 1), rng.gauss(0, 1), rng.gauss(0, 0.3)]
        at = moved([w / math.hypot(*way) for w in way], rng.uniform(0.03, 0.3), CHAIR)
        track(up, lambda t, at=at: at, 13.0, 8.0)  # type: ignore[misc]
        up.settle()
        assert off_stops(up, at) <= BAND + ROUNDING


@pytest.mark.parametrize("period_s", [0.7, 1.7, 3.5])
@pytest.mark.parametrize("phase", [0.0, 1.6, 3.9])
def test_a_sway_of_ten_centimetres_moves_nothing(period_s: float, phase: float) -> None:
    up = calm()
    up.wait(5.0)
    frames = len(up.frames)
    track(up, sway(STEEPEST, 0.1, period_s, phase), 14.0, 20.0)
    assert len(up.frames) == frames


@pytest.mark.parametrize("phase", [0.0, math.pi])
def test_the_first_half_of_a_sway_is_not_taken_for_a_lean(phase: float) -> None:
    """The mean of a sine from its middle on reaches 0.72 of its amplitude, which is 0.17 stop here."""
    up = calm()
    up.wait(0.5)
    frames = len(up.frames)
    track(up, sway(STEEPEST, 0.1, 3.5, phase), 6.0, 50.0)
    assert len(up.frames) == frames


@pytest.mark.parametrize("period_s", [5.0, 40.0])
def test_a_sway_of_three_centimetres_moves_nothing_however_slow(period_s: float) -> None:
    up = calm()
    frames = len(up.frames)
    track(up, sway(STEEPEST, 0.03, period_s, 0.5), 45.0, 5.0)
    assert len(up.frames) == frames


@pytest.mark.parametrize("phase", [0.0, 2.0, 4.0])
def test_the_slowest_sway_after_a_walk_is_settled_on_its_middle(phase: float) -> None:
    up = calm()
    swaying = sway(SIDEWAYS, 0.1, 3.5, phase)
    track(up, lambda t: moved(SIDEWAYS, 0.5 * min(t / 0.5, 1.0), swaying(t)), 9.0, 20.0)
    up.settle()
    frames = len(up.frames)
    track(up, lambda t: moved(SIDEWAYS, 0.5, swaying(t + 9.0)), 14.0, 20.0)
    assert len(up.frames) == frames
    assert off_stops(up, moved(SIDEWAYS, 0.5)) <= 0.1


@pytest.mark.parametrize("metres", [-0.15, 0.12, 0.15, 0.2])
def test_a_lean_that_stays_is_followed_until_nothing_is_left(metres: float) -> None:
    up, there = calm(), moved(SIDEWAYS, metres)
    track(up, lambda t: CHAIR, 11.0)
    before = up.codes
    assert off_stops(up, there) > BAND + 0.05
    track(up, lambda t: moved(SIDEWAYS, metres * min(t / 0.4, 1.0)), 12.0)
    up.settle()
    assert up.codes != before
    assert off_stops(up, there) <= 0.05


def test_a_sway_moves_nothing_on_wires_that_have_no_better_codes() -> None:
    """At codes 3 and 6 of 255 a code is half a stop: rounding and a sway together pass the band."""
    up = Studio(
        studio(bits=8, curve="linear", floor=0.002, hold={"pace": "calm"}, balance={"exposure": 36.0})
    )
    up.settle()
    assert max(up.codes) < 10
    frames = len(up.frames)
    track(up, sway(STEEPEST, 0.03, 12.0, 0.0), 25.0, 6.0)
    assert len(up.frames) == frames


def test_a_slow_creep_is_never_left_behind() -> None:
    """A centimetre a minute is no walk at any moment, and after a quarter of an hour it is one."""
    up, worst = calm(), 0.0
    for minute in range(16):
        track(up, lambda t, m=minute: moved(SIDEWAYS, 0.01 * (m + t / 60)), 60.0, 0.5)  # type: ignore[misc]
        worst = max(worst, off_stops(up, moved(SIDEWAYS, 0.01 * (minute + 1))))
    assert BAND / 2 < worst <= BAND + ROUNDING


def test_a_balance_out_of_reach_is_not_run_after_and_yet_kept_at_its_best() -> None:
    """A ratio of 40:1 leaves the fill at its floor; what can be had is held as it is elsewhere."""
    wish: dict[str, Any] = {"floor": 0.1, "balance": {"ratio": "40:1"}}
    up = calm(**wish)
    assert abs(up.state["achieved"]["ratio_error_stops"]) > 0.2
    frames = len(up.frames)
    track(up, sway(SIDEWAYS, 0.02, 10.0, 0.0), 15.0, 5.0)
    assert len(up.frames) == frames
    there = moved(SIDEWAYS, 0.5)
    track(up, lambda t: there, 8.0)
    up.settle()
    afresh = calm(**wish, marks={"there": there}, subject={"at": "there"})
    assert up.codes == pytest.approx(afresh.codes, rel=0.01)


def test_without_a_tracker_the_band_counts_again_after_each_change_of_the_daylight() -> None:
    up = calm(ambient={"toward_key": 1.0, "toward_fill": 1.0, "toward_camera": 1.0})
    up.event(DaylightChanged(80.0))
    up.settle()
    standing = up.codes
    assert standing != up.frames[0][1]
    up.event(DaylightChanged(100.0))
    up.settle()
    assert up.codes == standing


def glaring(most_lux: float = 400.0) -> Studio:
    """A studio whose balance asks for two stops more than the face may get."""
    up = calm(subject={"most_lux": most_lux}, hold={"pace": "calm", "dead_band": 0.5})
    up.do("expose", by=2)
    up.settle()
    return up


def test_light_over_the_most_that_a_face_may_get_falls_fast_and_within_the_band_too() -> None:
    """Half a stop of band would let 12 cm toward the key pass, and 0.3 stop a second would take a second."""
    up = glaring()
    toward_key = np.array(up.rig.heads[KEY].position) - np.array(CHAIR)
    there = moved((toward_key / np.linalg.norm(toward_key)).tolist(), 0.12)
    track(up, lambda t: CHAIR, 6.0)
    track(up, lambda t: there, 12.0)
    assert brighter_cheek_lux(up.rig, up.codes, there) <= 400.0 * 1.003
    up.do("move", to=list(CHAIR))
    up.settle()
    before = brighter_cheek_lux(up.rig, up.codes, there)
    up.do("move", to=list(there))
    over = math.log2(brighter_cheek_lux(up.rig, up.codes, there) / 400.0)
    assert over > 0.2
    up.wait(over / 3.0 + 0.05)
    assert brighter_cheek_lux(up.rig, up.codes, there) <= 400.0 * 1.001 < before


def test_no_faster_than_the_order_speed_once_the_face_gets_no_more_than_it_may() -> None:
    up = glaring()
    up.do("freeze")
    up.do("move", to=[0.05, -0.1, 1.25])
    up.do("expose", by=-3)
    up.do("follow")
    while brighter_cheek_lux(up.rig, up.codes, (0.05, -0.1, 1.25)) > 400.0:
        up.wait(0.03)
    start, before = up.now, output(up.rig, KEY, up.codes[KEY])
    up.wait(0.5)
    fell = math.log2(before / output(up.rig, KEY, up.codes[KEY]))
    # A stop a second, and a frame of 1/44 s at three of them.
    assert 0.3 <= fell <= 1.0 * (up.now - start) + 3.0 / 44


def test_a_freeze_says_when_the_face_gets_more_than_it_may() -> None:
    up = glaring()
    up.do("freeze")
    assert not any(limit["at"] == "most_lux" for limit in up.state["limits"])
    near = (0.2, -0.3, 1.4)
    up.do("move", to=list(near))
    frozen = up.codes
    lux = brighter_cheek_lux(up.rig, frozen, near)
    assert lux > 500
    (limit,) = (limit for limit in up.state["limits"] if limit["at"] == "most_lux")
    assert f"gets {lux:.0f} lx, more than its most, 400 lx" in limit["says"]
    up.do("follow")
    up.settle()
    assert up.codes != frozen
    assert brighter_cheek_lux(up.rig, up.codes, near) <= 400.0 * 1.001
    assert not any("gets" in limit["says"] for limit in up.state["limits"])
