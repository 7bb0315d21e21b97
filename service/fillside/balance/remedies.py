"""What a person could change to reach a balance that the lamps, as they stand, cannot.

Every remedy is a change of the rig that was tried by solving again; one without effect is not offered. First
come changes to the lamps, then the camera's (the shutter last, and only to the half-frame time), then the
wish itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from fillside.balance.offline import solve_rig
from fillside.balance.report import Remedy, Report
from fillside.rig.calibrated import Calibration
from fillside.rig.change import apply_change
from fillside.rig.model import Head, Point, Rig

Change = dict[str, Any]

CURED_STOPS = 0.05
"""An error this small needs no further remedy."""
WORTH_OFFERING_STOPS = 0.02

ISO_SERIES = (
    50,
    64,
    80,
    100,
    125,
    160,
    200,
    250,
    320,
    400,
    500,
    640,
    800,
    1000,
    1250,
    1600,
    2000,
    2500,
    3200,
)
HIGHER_ISO_SERIES = (4000, 5000, 6400, 8000, 10000, 12800)
APERTURE_SERIES = (
    1.4,
    1.6,
    1.8,
    2,
    2.2,
    2.5,
    2.8,
    3.2,
    3.5,
    4,
    4.5,
    5,
    5.6,
    6.3,
    7.1,
    8,
    9,
    10,
    11,
    13,
    14,
    16,
)
"""Third-stop names in use (ISO 12232 and ISO 517 for the full stops; thirds common practice, no source)."""

NEARER = tuple(round(0.97 - 0.03 * k, 2) for k in range(17))
FARTHER = tuple(round(1.04 + 0.06 * k, 2) for k in range(25))
NEAREST_HEAD_M, LOWEST_HEAD_M, HIGHEST_HEAD_M = 0.4, 0.3, 3.5


@dataclass(frozen=True)
class _Step:
    """One size of one kind of change, and how to say it."""

    do: str
    change: Change


@dataclass(frozen=True)
class _Case:
    """The rig that does not reach its balance, and the report that says so."""

    rig: Rig
    subject: Point
    calibration: Calibration | None
    report: Report

    def left_by(self, change: Change) -> tuple[float, Report] | None:
        """The largest error after a change, and its report; None where the rig may not be changed so."""
        try:
            rig = apply_change(self.rig, change)
        except ValueError:
            return None
        after = solve_rig(rig, self.subject, None, self.calibration).report
        return after.worst_error_stops, after


def remedies(
    rig: Rig, subject: Sequence[float] | None = None, calibration: Calibration | None = None
) -> tuple[Remedy, ...]:
    """Changes that bring the balance nearer for a subject at a place [m], best kept in the order given.

    Empty where the balance is reached. Each leaves what it says once its change is in the rig.
    """
    x, y, z = rig.start if subject is None else subject
    case = _Case(rig, (x, y, z), calibration, solve_rig(rig, (x, y, z), None, calibration).report)
    error = case.report.worst_error_stops
    if error <= CURED_STOPS:
        return ()
    found: list[Remedy] = []
    for kind in (_moves, _lamps, _diffusion, _iso, _aperture, _nd, _shutter, _wishes):
        for steps in kind(case):
            best = _best(case, steps, error)
            if best is not None:
                found.append(best)
    return tuple(found)


def _best(case: _Case, steps: Iterable[_Step], error: float) -> Remedy | None:
    """The smallest step that cures, else the one that leaves least, if it is worth the trouble."""
    best: Remedy | None = None
    for step in steps:
        left = case.left_by(step.change)
        if left is None:
            continue
        if best is None or left[0] < best.leaves_stops - 0.01:
            best = Remedy(do=step.do, change=step.change, leaves_stops=round(left[0], 4))
        if left[0] <= CURED_STOPS:
            break
    return best if best is not None and best.leaves_stops < error - WORTH_OFFERING_STOPS else None


def _limited(case: _Case) -> Iterator[tuple[Head, str]]:
    """Heads that stand at a limit, and at which."""
    for said in case.report.heads:
        if said.at_limit is not None:
            yield case.rig.head(said.name), said.at_limit


def _moves(case: _Case) -> Iterator[Iterator[_Step]]:
    for head, limit in _limited(case):
        yield _along_its_line(case, head, NEARER if limit == "full" else FARTHER)


def _along_its_line(case: _Case, head: Head, factors: tuple[float, ...]) -> Iterator[_Step]:
    towards = case.rig.aim_of(head) if head.role == "background" else case.subject
    now = math.dist(head.position, towards)
    for factor in factors:
        x, y, z = (round(t + (p - t) * factor, 2) for p, t in zip(head.position, towards, strict=True))
        distance = math.dist((x, y, z), towards)
        near = max(NEAREST_HEAD_M, 0.6 * head.modifier.diameter)
        if distance < near or not LOWEST_HEAD_M <= z <= HIGHEST_HEAD_M:
            continue
        way = "nearer" if factor < 1 else "farther off"
        do = f"Move {head.name} {way}: {distance:.2f} m instead of {now:.2f} m, to ({x:g}, {y:g}, {z:g}) m."
        yield _Step(do, {f"heads.{head.name}.position": [x, y, z]})


def _lamps(case: _Case) -> Iterator[Iterator[_Step]]:
    for head, limit in _limited(case):
        if head.lamp is not None:
            yield _lamp_steps(head, limit)


def _lamp_steps(head: Head, limit: str) -> Iterator[_Step]:
    assert head.lamp is not None
    now = head.lamp.count
    counts = range(now + 1, 4 * now + 1) if limit == "full" else range(now - 1, 0, -1)
    for count in counts:
        change: Change = {f"heads.{head.name}.lamp.count": count}
        if head.intensity is not None:
            change[f"heads.{head.name}.intensity"] = _short(head.intensity * count / now)
        watts = head.lamp.watts
        load = "" if watts is None else f" ({watts * count:g} W in all)"
        lamps = "1 lamp" if count == 1 else f"{count} lamps"
        yield _Step(f"Use {lamps} in {head.name} instead of {now}{load}.", change)


def _diffusion(case: _Case) -> Iterator[Iterator[_Step]]:
    for head, limit in _limited(case):
        if limit == "floor":
            yield _diffusion_steps(head)


def _diffusion_steps(head: Head) -> Iterator[_Step]:
    for halves in range(1, 9):
        more = halves / 2
        change: Change = {f"heads.{head.name}.modifier.diffusion": head.modifier.diffusion + more}
        if head.intensity is not None:
            change[f"heads.{head.name}.intensity"] = _short(head.intensity * math.exp2(-more))
        yield _Step(f"Take {more:g} stop off {head.name} with diffusion or a half-closed canopy.", change)


def _by_distance(series: Sequence[float], now: float) -> list[float]:
    """The series from the nearest to the farthest of a value, without the value itself."""
    others = [value for value in series if abs(math.log2(value / now)) > 0.15]
    return sorted(others, key=lambda value: abs(math.log2(value / now)))


def _wants_light(case: _Case) -> bool:
    """Whether the camera should be made to need less light, by the sign of what is missing."""
    error = case.report.achieved.exposure_error_stops or 0.0
    if abs(error) > CURED_STOPS:
        return error < 0
    return not any(limit == "floor" for _, limit in _limited(case))


def _camera_kind(
    case: _Case, key: str, values: Iterable[float], say: Callable[[float], str]
) -> Iterator[Iterator[_Step]]:
    if case.rig.balance.exposure == "camera":
        yield (_Step(say(value), {f"camera.{key}": value}) for value in values)


def _iso(case: _Case) -> Iterator[Iterator[_Step]]:
    now = case.rig.camera.iso
    if now is not None:
        up = _wants_light(case)
        series = (*ISO_SERIES, *HIGHER_ISO_SERIES) if up else ISO_SERIES
        values = [v for v in _by_distance(series, now) if (v > now) == up]
        yield from _camera_kind(
            case, "iso", values, lambda v: f"Set the camera to ISO {v:g} instead of {now:g}."
        )


def _aperture(case: _Case) -> Iterator[Iterator[_Step]]:
    now = case.rig.camera.aperture
    if now is not None:
        wider = _wants_light(case)
        values = [v for v in _by_distance(APERTURE_SERIES, now) if (v < now) == wider]
        verb = "Open" if wider else "Close"
        yield from _camera_kind(
            case, "aperture", values, lambda v: f"{verb} the lens to f/{v:g} from f/{now:g}."
        )


def _nd(case: _Case) -> Iterator[Iterator[_Step]]:
    now = case.rig.camera.nd_stops
    wanted = (
        [now - k for k in range(1, 11) if now - k >= 0]
        if _wants_light(case)
        else [now + k for k in range(1, 7)]
    )
    if _wants_light(case) and now > 0 and 0.0 not in wanted:
        wanted.append(0.0)
    yield from _camera_kind(
        case, "nd_stops", wanted, lambda v: f"Use {v:g} stop of ND on the lens instead of {now:g}."
    )


def _shutter(case: _Case) -> Iterator[Iterator[_Step]]:
    """Only to half the frame's time, where the camera is off it: exposure is no reason to leave that rule."""
    camera = case.rig.camera
    if camera.fps is None or camera.exposure_time_s is None or case.rig.balance.exposure != "camera":
        return
    if math.isclose(camera.exposure_time_s, 1 / (2 * camera.fps), rel_tol=0.03):
        return
    if camera.shutter_angle is not None:
        yield iter([_Step("Set the shutter angle to 180 degrees.", {"camera.shutter_angle": 180})])
    else:
        half = f"1/{2 * camera.fps:g}"
        yield iter([_Step(f"Set the shutter to {half} s, half the frame's time.", {"camera.shutter": half})])


def _wishes(case: _Case) -> Iterator[Iterator[_Step]]:
    held, target = case.report.achieved, case.report.target
    if held.ratio is not None and abs(held.ratio_error_stops or 0.0) > CURED_STOPS:
        ratio = float(f"{held.ratio:.3g}")
        yield iter([_Step(f"Accept a ratio of {ratio:g}:1.", {"balance.ratio": ratio})])
    if abs(held.exposure_error_stops or 0.0) > CURED_STOPS and held.exposure_lux > 0:
        lux = _short(held.exposure_lux)
        do = f"Accept {lux:g} lux at the subject instead of {target.exposure_lux:.0f} lux."
        yield iter([_Step(do, {"balance.exposure": lux})])
    for role, goal in target.relative.items():
        now = held.relative.get(role)
        if goal is not None and now is not None and abs(now - goal) > CURED_STOPS:
            stops = round(now, 2)
            do = f"Accept {role} at {stops:+.2f} stop instead of {goal:+.2f}."
            yield iter([_Step(do, {f"balance.relative.{role}": stops})])


def _short(value: float) -> float:
    """Four digits: more than a person can set, few enough to read."""
    return float(f"{value:.4g}")
