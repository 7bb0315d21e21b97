"""Contract: the light goes after a noisy subject quickly, or calmly, and says when a tracker is too rough.

What the light does at the subject's true place is worked out from the codes by the inverse-square law; the
reports are the true place plus noise, 50 a second unless said.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest

from contract.hold_studio import CHAIR, DESK, Studio, light, studio
from fillside.hold.tracking.filter import Filter
from fillside.orders.light import SubjectReport

Place = tuple[float, float, float]
Path = Callable[[float], Place]
Log = list[tuple[float, float, float]]


def walk(distance: float, start_s: float, speed: float = 1.0) -> Path:
    """A walk along x from the chair."""
    way = math.copysign(1.0, distance)
    return lambda t: (way * min(max((t - start_s) * speed, 0.0), abs(distance)), 0.0, 1.2)


def sway(phase: float, hertz: float = 0.3, end_to_end: float = 0.1) -> Path:
    return lambda t: (end_to_end / 2 * math.sin(2 * math.pi * hertz * t + phase), 0.0, 1.2)


def jitter(rng: np.random.Generator, sd: float) -> Callable[[], Place]:
    """Independent noise on each axis."""

    def noise() -> Place:
        x, y, z = rng.normal(0.0, sd, 3).tolist() if sd else (0.0, 0.0, 0.0)
        return x, y, z

    return noise


def lasting_jitter(
    rng: np.random.Generator, sd: float, lasts_s: float, every_s: float
) -> Callable[[], Place]:
    """Noise that dies away exponentially from report to report."""
    stay = math.exp(-every_s / lasts_s)
    now = rng.normal(0.0, sd, 3)

    def noise() -> Place:
        nonlocal now
        now = stay * now + math.sqrt(1 - stay * stay) * rng.normal(0.0, sd, 3)
        x, y, z = now.tolist()
        return x, y, z

    return noise


def follow(up: Studio, path: Path, seconds: float, noise: Callable[[], Place], rate: float = 50.0) -> Log:
    """Track a subject; the log has (time, log2 key lux, log2 fill lux) at the true place, at every report."""
    log, start = [], up.now
    for k in range(round(seconds * rate)):
        t = k / rate
        up.wait(max(0.0, start + t - up.now))
        place = path(t)
        up.see(p + n for p, n in zip(place, noise(), strict=True))
        lux = light(up.rig, up.codes, place)
        log.append((t, math.log2(lux["key"]), math.log2(lux["fill"])))
    return log


def quick() -> Studio:
    up = Studio(studio(hold={"pace": "quick"}))
    up.settle()
    return up


def calm() -> Studio:
    up = Studio(studio(hold={"pace": "calm"}))
    up.settle()
    return up


def ratio_error(log: Log, at: float) -> float:
    _, key, fill = next(row for row in log if row[0] >= at - 1e-9)
    return abs(key - fill - 1.0)


def test_quick_and_still_the_light_of_each_head_rests() -> None:
    for seed in range(8):
        log = follow(quick(), lambda t: CHAIR, 12.0, jitter(np.random.default_rng(seed), 0.05))
        still = np.array(log)[250:]
        assert still[:, 1].std() <= 0.02
        assert still[:, 2].std() <= 0.02


def test_quick_the_ratio_is_back_three_tenths_of_a_second_after_a_walk() -> None:
    runs, kept = 24, 0
    for seed in range(runs):
        rng = np.random.default_rng(seed)
        distance = float(rng.uniform(0.4, 0.6) * rng.choice([-1, 1]))
        log = follow(quick(), walk(distance, 5.0), 6.2, jitter(rng, 0.05))
        kept += ratio_error(log, 5.0 + abs(distance) + 0.3) <= 0.1
    # 95 of 100 are promised; of 24 runs of a process that keeps 98 of 100 fewer than 21 are kept once in 800.
    assert kept >= 21


def test_quick_out_and_back_ends_where_it_began() -> None:
    def path(t: float) -> Place:
        out, back = walk(0.6, 5.0)(t)[0], walk(0.6, 8.0)(t)[0]
        return out - back, 0.0, 1.2

    log = follow(quick(), path, 11.0, jitter(np.random.default_rng(3), 0.05))
    assert ratio_error(log, 6.0) <= 0.1
    assert ratio_error(log, 9.0) <= 0.1
    assert ratio_error(log, 10.9) <= 0.05


@pytest.mark.parametrize("rate", [5.0, 10.0, 20.0, 60.0])
@pytest.mark.parametrize("sd", [0.0, 0.01, 0.05])
def test_quick_settles_at_any_rate_and_noise(rate: float, sd: float) -> None:
    log = follow(quick(), walk(0.5, 5.0), 9.5, jitter(np.random.default_rng(1), sd), rate)
    # Four standard errors of the mean of the reports since the walk, at 2.4 stops a metre, and the rounding.
    since = (9.4 - 5.5) * rate
    assert ratio_error(log, 9.4) <= 4 * sd / math.sqrt(since) * 2.4 + 0.03


def test_quick_reports_at_irregular_times_are_followed() -> None:
    rng = np.random.default_rng(4)
    up, path = quick(), walk(0.5, 5.0)
    start, t = up.now, 0.0
    while t < 8.0:
        t += float(rng.exponential(0.03))
        up.wait(max(0.0, start + t - up.now))
        up.see(p + n for p, n in zip(path(t), rng.normal(0, 0.02, 3), strict=True))
    assert up.ratio_stops(path(t)) == pytest.approx(1.0, abs=0.1)


def test_one_report_from_somewhere_else_is_not_believed_and_several_are() -> None:
    up = quick()
    follow(up, lambda t: CHAIR, 5.0, jitter(np.random.default_rng(2), 0.01))
    before = up.codes
    up.now += 0.02
    up.see((2.0, 1.0, 1.2))
    up.now += 0.02
    up.see(CHAIR)
    up.settle()
    assert up.codes == before
    follow(up, lambda t: DESK, 2.0, jitter(np.random.default_rng(2), 0.01))
    up.settle()
    assert up.ratio_stops(DESK) == pytest.approx(1.0, abs=0.02)


def test_levels_stay_when_positions_stop_coming() -> None:
    for up in (quick(), calm()):
        follow(up, walk(0.6, 5.0), 5.9, jitter(np.random.default_rng(2), 0.05))
        up.settle()
        standing = up.codes
        assert up.hold.wake_in(up.now) is None
        up.wait(3600.0)
        assert up.codes == standing


@pytest.mark.parametrize("phase", [0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
@pytest.mark.parametrize(("sd", "rate"), [(0.0, 10.0), (0.03, 20.0), (0.05, 50.0)])
def test_calm_a_sway_about_the_place_changes_no_code(phase: float, sd: float, rate: float) -> None:
    up = calm()
    before = up.codes
    noise = jitter(np.random.default_rng(int(phase)), sd)
    follow(up, sway(phase), 20.0, noise, rate)
    assert up.codes == before
    assert len(up.frames) == len({codes for _, codes in up.frames})


@pytest.mark.parametrize("phase", [0.0, 1.5, 3.0, 4.5])
@pytest.mark.parametrize("sd", [0.0, 0.05])
def test_calm_after_a_walk_a_sway_changes_no_code_from_a_few_seconds_on(phase: float, sd: float) -> None:
    up = calm()
    noise = jitter(np.random.default_rng(int(phase)), sd)
    there = sway(phase)

    def path(t: float) -> Place:
        return walk(0.6, 5.0)(t)[0] + (there(t)[0] if t > 5.6 else 0.0), 0.0, 1.2

    follow(up, path, 5.6 + 8.0, noise, 50.0)
    standing, frames = up.codes, len(up.frames)
    follow(up, lambda t: (0.6 + sway(phase)(t)[0], 0.0, 1.2), 20.0, noise, 50.0)
    assert up.codes == standing
    assert len(up.frames) == frames
    assert up.ratio_stops((0.6, 0.0, 1.2)) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("distance", [-0.6, 0.3, 0.5])
@pytest.mark.parametrize("sd", [0.0, 0.02, 0.05])
@pytest.mark.parametrize("speed", [0.4, 1.0])
def test_calm_a_walk_is_settled_within_a_tenth_in_six_seconds(
    distance: float, sd: float, speed: float
) -> None:
    noise = jitter(np.random.default_rng(7), sd)
    up = calm()
    end = 5.0 + abs(distance) / speed
    log = follow(up, walk(distance, 5.0, speed), end + 6.1, noise)
    assert ratio_error(log, end + 6.0) <= 0.1
    up.settle()
    frames = len(up.frames)
    follow(up, lambda t: walk(distance, 0.0, 100.0)(t + 1), 10.0, noise)
    assert len(up.frames) == frames, "settled, the light rests"


def test_calm_the_light_follows_at_its_speed() -> None:
    up = calm()
    up.frames = []
    log = follow(up, walk(0.6, 5.0), 12.0, jitter(np.random.default_rng(7), 0.0))
    for (t0, a), (t1, b) in itertools.pairwise(up.frames):
        for head in (0, 1):
            # On a square curve output goes with the square of the code; one code is left for rounding.
            change = 2 * abs(math.log2((b[head] + (b[head] < a[head])) / (a[head] + (a[head] < b[head]))))
            assert change <= 0.3 * (t1 - t0) * 1.001 + 1e-6
    assert ratio_error(log, 11.9) <= 0.05


def test_ticks_are_asked_for_no_faster_than_a_wire_can_carry() -> None:
    up, ticks = quick(), 0
    for k in range(500):
        up.now += 0.02
        x, y, z = 0.3 * math.sin(k / 50), 0.0, 1.2
        up.hold.order(SubjectReport(do="subject", to=(x, y, z)), up.now)
        end = up.now + 0.02
        while (wake := up.hold.wake_in(up.now)) is not None and up.now + wake < end:
            up.now += wake
            up.tick()
            ticks += 1
        up.now = end - 0.02
    # Ten seconds, 44 frames a second for the fade and as many times the balance may be solved anew.
    assert ticks <= 2 * 10 * 44 + 500


def test_an_order_keeps_its_speed_while_the_subject_walks() -> None:
    up = calm()
    follow(up, lambda t: CHAIR, 3.0, jitter(np.random.default_rng(7), 0.0))
    up.do("trim", role="key", by=-2)
    follow(up, walk(0.3, 0.2), 2.6, jitter(np.random.default_rng(7), 0.0))
    lux = light(up.rig, up.codes, (0.3, 0.0, 1.2))
    # Two stops at a stop a second take two seconds; at the follow speed they would take seven.
    assert math.log2(lux["key"] / lux["fill"]) == pytest.approx(-1.0, abs=0.25)


@pytest.mark.parametrize(
    ("sd", "lasts_s", "rough"),
    [(0.0, 0.0, False), (0.05, 0.0, False), (0.1, 0.0, True), (0.3, 0.0, True), (0.08, 0.15, True)],
)
def test_a_tracker_too_rough_to_follow_is_reported(sd: float, lasts_s: float, rough: bool) -> None:
    rng = np.random.default_rng(1)
    up = quick()
    noise = lasting_jitter(rng, sd, lasts_s, 0.02) if lasts_s else jitter(rng, sd)
    assert up.state["subject_seen"]["jitter_stops"] is None
    follow(up, lambda t: CHAIR, 20.0, noise)
    seen = up.state["subject_seen"]
    assert seen["too_rough"] is rough
    assert any("too rough" in note for note in up.state["notes"]) is rough
    assert seen["source"] == "tracker"
    if sd and not lasts_s:
        assert seen["jitter_m"] == pytest.approx(sd, rel=0.2)


def test_jitter_that_lasts_is_not_taken_for_a_walk() -> None:
    rng = np.random.default_rng(5)
    up = quick()
    log = np.array(follow(up, lambda t: CHAIR, 40.0, lasting_jitter(rng, 0.05, 0.1, 0.02)))
    # Unfiltered it is 0.1 stop; taken for motion, 0.044 to 0.062 of it would pass.
    assert log[1000:, 1].std() <= 0.025
    assert log[1000:, 2].std() <= 0.025


@pytest.mark.parametrize("sd", [0.004, 0.02, 0.1])
@pytest.mark.parametrize("rate", [5.0, 25.0, 60.0])
def test_the_noise_is_found_from_the_reports_standing_or_walking(sd: float, rate: float) -> None:
    for speed in (0.0, 0.8):
        rng = np.random.default_rng(11)
        seen = Filter()
        for k in range(400):
            x, y, z = rng.normal(0, sd, 3).tolist()
            seen.report((x + speed * k / rate, y, z + 1.2), k / rate)
        # 400 differences of four reports each: the median's own uncertainty is about a tenth.
        assert math.sqrt(float(seen.noise.one.mean())) == pytest.approx(sd, rel=0.25)


def test_a_place_told_by_hand_is_exact_and_what_is_known_of_the_noise_stays() -> None:
    rng = np.random.default_rng(2)
    seen = Filter()
    for k in range(500):
        x, y, z = rng.normal(0, 0.03, 3).tolist()
        seen.report((x, y, z + 1.2), k / 50)
    noise = seen.noise
    seen.put(DESK, 10.0)
    assert seen.place == DESK
    assert seen.noise is noise
