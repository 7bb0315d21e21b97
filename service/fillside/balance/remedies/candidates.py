"""Changes that a person could make if the lamps, from where they stand, cannot reach the balance."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum

from fillside.balance.report import Report, RigValue
from fillside.balance.solution import solve_rig
from fillside.rig.calibration import Calibration
from fillside.rig.file.build import apply_change
from fillside.rig.notation import ratio_text, stop_noun
from fillside.rig.tables.model import WORK_ROLE, Head, Point, Rig

Change = Mapping[str, RigValue]
"""New values by dotted key of the rig file."""

CURED_STOPS = 0.05
"""An error this small needs no further remedy."""
MOST_SCRIM_STOPS, MOST_SHADE_STOPS = 4, 5
EASY_DIAL_STOPS = 2.1
"""Largest easy turn of a dial: two stops, with room for names rounded to thirds."""
SENSIBLE_STOPS = 2.0
"""Largest change of the target worth advising; beyond it the picture is a different one."""
LEAST_TARGET_LUX = 5.0
"""Below this no camera makes a clean picture of a face (common practice, no source)."""

FULL_ISO = (50, 100, 200, 400, 800, 1600, 3200)
_THIRD_ISO = (64, 80, 125, 160, 250, 320, 500, 640, 1000, 1250, 2000, 2500)
_HIGH_ISO = (4000, 5000, 6400, 8000, 10000, 12800)
ISO_SERIES = tuple(sorted((*FULL_ISO, *_THIRD_ISO)))
HIGHER_ISO_SERIES = (*ISO_SERIES, *_HIGH_ISO)
"""Higher speeds are worth their noise only where light is short."""
_WIDE = (1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5)
_NARROW = (4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13, 14, 16)
APERTURE_SERIES = (*_WIDE, *_NARROW)
"""Third-stop names in use (ISO 12232 and ISO 517 for the full stops; thirds common practice, no source)."""
MOST_ND_STOPS = 6
NEXT_SETTING = 0.15
"""Names closer than this, as a logarithm to base 2, are one setting."""


NEARER = tuple(round(0.97 - 0.03 * k, 2) for k in range(17))
FARTHER = tuple(round(1.04 + 0.06 * k, 2) for k in range(25))
"""Factors of the present distance, the smallest change first."""
MOST_HEADS_TRIED = 16
"""Of more heads at a limit, those that give the most light are moved, scrimmed or relamped one by one: among
so many, a head that gives less brings next to nothing, and a person reads no longer list."""
NEAREST_HEAD_M, LOWEST_HEAD_M, HIGHEST_HEAD_M = 0.4, 0.3, 3.5


class Trouble(IntEnum):
    """The trouble of a change for the person who makes it, the least first."""

    ISO = 0
    APERTURE = 1
    ND = 2
    FAR_ISO = 3
    FAR_APERTURE = 4
    SHUTTER = 5
    SCRIM = 6
    SHADE = 7
    STAND = 8
    LAMP = 9
    TARGET = 10


@dataclass(frozen=True)
class CandidateChange:
    """One size of one kind of change: the instruction, the values, and the trouble."""

    do: str
    change: Change
    trouble: Trouble


@dataclass(frozen=True)
class Shortfall:
    """A rig that does not reach its balance, and the report that shows it."""

    rig: Rig
    subject: Point
    calibration: Calibration | None
    report: Report

    @property
    def error_stops(self) -> float:
        return self.report.worst_error_stops

    @property
    def exposure_off_stops(self) -> float:
        return self.report.achieved.exposure_error_stops or 0.0

    def left_by(self, change: Change) -> float | None:
        """Return the largest error after a change; None if the rig refuses the change or a role drops out."""
        try:
            rig = apply_change(self.rig, change)
        except ValueError:
            return None
        after = solve_rig(rig, self.subject, None, self.calibration).judged
        return None if _without(after) - _without(self.report) else after.worst_error_stops


def _without(report: Report) -> set[str]:
    """Return the quantities that have no error because there is no light."""
    held = report.achieved
    errors = {"ratio": held.ratio_error_stops, "exposure": held.exposure_error_stops, **held.relative}
    return {name for name, error in errors.items() if error is None}


def _limited(case: Shortfall) -> Iterator[tuple[Head, str]]:
    """Yield heads at a limit, with the limit; a head that cannot be dimmed is at both."""
    for entry in case.report.heads:
        head = case.rig.head(entry.name)
        if entry.at_limit is not None:
            yield head, entry.at_limit
        elif head.dimming.fixed and head.rule != WORK_ROLE:
            yield head, "full"
            yield head, "floor"


def _brightest_limited(case: Shortfall) -> Iterator[tuple[Head, str]]:
    """Yield the same, of many heads only the brightest."""
    limited = list(_limited(case))
    lux = {entry.name: entry.lux for entry in case.report.heads}
    names = sorted(dict.fromkeys(head.name for head, _ in limited), key=lambda name: -lux[name])
    tried = frozenset(names[:MOST_HEADS_TRIED])
    yield from ((head, limit) for head, limit in limited if head.name in tried)


def _moves(case: Shortfall) -> Iterator[Iterator[CandidateChange]]:
    for head, limit in _brightest_limited(case):
        yield _along_its_line(case, head, nearer=limit == "full")


def _along_its_line(case: Shortfall, head: Head, *, nearer: bool) -> Iterator[CandidateChange]:
    towards = case.rig.aim_of(head) if head.role == "background" else case.subject
    now = math.dist(head.position, towards)
    way = "nearer" if nearer else "farther off"
    for x, y, z in places_along(case.rig, head, towards, nearer=nearer):
        distance = math.dist((x, y, z), towards)
        do = (
            f"Move {head.name} {way}: {distance:.2f} m instead of {now:.2f} m, to ({x:g}, {y:g}, {z:g}) m; "
            "it then wants a reading."
        )
        yield CandidateChange(do, {f"heads.{head.name}.position": [x, y, z]}, Trouble.STAND)


def _lamps(case: Shortfall) -> Iterator[Iterator[CandidateChange]]:
    for head, limit in _brightest_limited(case):
        if head.lamp is not None:
            yield _lamp_steps(head, limit)


def _lamp_steps(head: Head, limit: str) -> Iterator[CandidateChange]:
    assert head.lamp is not None
    now = head.lamp.count
    counts = range(now + 1, 4 * now + 1) if limit == "full" else range(now - 1, 0, -1)
    for count in counts:
        change: dict[str, RigValue] = {f"heads.{head.name}.lamp.count": count}
        if head.intensity is not None:
            change[f"heads.{head.name}.intensity"] = _short(head.intensity * count / now)
        watts = head.lamp.watts
        load = "" if watts is None else f" ({watts * count:g} W in all)"
        lamps = "1 lamp" if count == 1 else f"{count} lamps"
        yield CandidateChange(f"Use {lamps} in {head.name} instead of {now}{load}.", change, Trouble.LAMP)


def _diffusion(case: Shortfall) -> Iterator[Iterator[CandidateChange]]:
    """Yield scrims on each head at its floor, and on all of them together."""
    heads = [head for head, limit in _limited(case) if limit == "floor"]
    for head, limit in _brightest_limited(case):
        if limit == "floor":
            yield _diffusion_steps([head])
    if len(heads) > 1:
        yield _diffusion_steps(heads)


def _diffusion_steps(heads: Sequence[Head]) -> Iterator[CandidateChange]:
    """Yield scrims in half stops; each lowers a stated intensity too, which includes all diffusion."""
    names = " and ".join(head.name for head in heads) if len(heads) < 3 else "each head at its floor"
    each = ", each," if len(heads) == 2 else ""
    for halves in range(1, 2 * MOST_SCRIM_STOPS + 1):
        more = halves / 2
        change: dict[str, RigValue] = {}
        for head in heads:
            change[f"heads.{head.name}.modifier.diffusion"] = head.modifier.diffusion + more
            if head.intensity is not None:
                change[f"heads.{head.name}.intensity"] = _short(head.intensity * math.exp2(-more))
        yield CandidateChange(
            f"Take {more:g} stop off {names}{each} with a scrim or diffusion.", change, Trouble.SCRIM
        )


def _shade(case: Shortfall) -> Iterator[Iterator[CandidateChange]]:
    """Reduce the daylight by the same stops in all directions."""
    ambient = case.rig.ambient
    stated = {f"ambient.{key}": lux for key, lux in ambient.model_dump(exclude_unset=True).items() if lux}
    if stated:
        yield _shade_steps(stated)


def _shade_steps(stated: dict[str, float]) -> Iterator[CandidateChange]:
    most = max(stated.values())
    for halves in range(1, 2 * MOST_SHADE_STOPS + 1):
        stops = halves / 2
        change = {key: _short(lux * math.exp2(-stops)) for key, lux in stated.items()}
        left = most * math.exp2(-stops)
        do = f"Shade the daylight: {_lux(left)} at most instead of {_lux(most)}, {_stops(stops)} less."
        yield CandidateChange(do, change, Trouble.SHADE)


def _camera_ways(
    case: Shortfall,
    key: str,
    values: Callable[[bool], Iterable[float]],
    say: Callable[[float], str],
    trouble: Callable[[float], Trouble],
) -> Iterator[Iterator[CandidateChange]]:
    """Yield settings that need less light (`values(True)`) or more, as the exposure error requires."""
    if case.rig.balance.exposure != "camera":
        return
    off = case.exposure_off_stops
    for less in (off < 0,) if abs(off) > CURED_STOPS else (True, False):
        yield (CandidateChange(say(v), {f"camera.{key}": v}, trouble(v)) for v in values(less))


def _iso(case: Shortfall) -> Iterator[Iterator[CandidateChange]]:
    now = case.rig.camera.iso
    if now is None:
        return
    yield from _camera_ways(
        case,
        "iso",
        lambda less: iso_from(now, up=less),
        lambda v: f"Set the camera to ISO {v:g} instead of {now:g}.",
        lambda v: Trouble.ISO if iso_stops(now, v) <= EASY_DIAL_STOPS else Trouble.FAR_ISO,
    )


def _aperture(case: Shortfall) -> Iterator[Iterator[CandidateChange]]:
    now = case.rig.camera.aperture
    if now is None:
        return
    yield from _camera_ways(
        case,
        "aperture",
        lambda less: apertures_from(now, wider=less),
        lambda v: f"{'Open' if v < now else 'Close'} the lens to f/{v:g} from f/{now:g}.",
        lambda v: Trouble.APERTURE if aperture_stops(now, v) <= EASY_DIAL_STOPS else Trouble.FAR_APERTURE,
    )


def _nd(case: Shortfall) -> Iterator[Iterator[CandidateChange]]:
    now = case.rig.camera.nd_stops
    yield from _camera_ways(
        case,
        "nd_stops",
        lambda less: nd_from(now, less=less),
        lambda v: _nd_words(now, v),
        lambda _: Trouble.ND,
    )


def _nd_words(now: float, new: float) -> str:
    if new == 0:
        return f"Take the {_stops(now)} of ND off the lens."
    if now == 0:
        return f"Put {_stops(new)} of ND on the lens."
    return f"Use {_stops(new)} of ND on the lens instead of {now:g}."


def _shutter(case: Shortfall) -> Iterator[Iterator[CandidateChange]]:
    """Set the shutter to half the frame time if it is off; exposure is no reason to break that rule."""
    camera = case.rig.camera
    if camera.fps is None or camera.exposure_time_s is None or case.rig.balance.exposure != "camera":
        return
    if math.isclose(camera.exposure_time_s, 1 / (2 * camera.fps), rel_tol=0.03):
        return
    change: Change
    if camera.shutter_angle is not None:
        do, change = "Set the shutter angle to 180 degrees.", {"camera.shutter_angle": 180}
    else:
        half = f"1/{2 * camera.fps:g}"
        do, change = f"Set the shutter to {half} s, half the frame's time.", {"camera.shutter": half}
    yield iter([CandidateChange(do, change, Trouble.SHUTTER)])


def _targets(case: Shortfall) -> Iterator[Iterator[CandidateChange]]:
    """Accept the present light as the target if it is near the stated one."""
    held, target = case.report.achieved, case.report.target
    if _sensible(held.ratio_error_stops) and held.ratio is not None and _same_side(case.report):
        ratio = float(f"{held.ratio:.3g}")
        yield iter(
            [
                CandidateChange(
                    f"Accept a ratio of {ratio_text(ratio)}.", {"balance.ratio": ratio}, Trouble.TARGET
                )
            ]
        )
    if _sensible(held.exposure_error_stops) and held.exposure_lux >= LEAST_TARGET_LUX:
        lux = float(f"{held.exposure_lux:.3g}")
        do = f"Accept {_lux(lux)} at the subject instead of {_lux(target.exposure_lux)}."
        yield iter([CandidateChange(do, {"balance.exposure": lux}, Trouble.TARGET)])
    for role, goal in target.relative.items():
        now = held.relative.get(role)
        if goal is not None and now is not None and _sensible(now - goal):
            stops = round(now, 2)
            do = f"Accept {role} at {stops:+.2f} {stop_noun(stops)} instead of {goal:+.2f}."
            yield iter([CandidateChange(do, {f"balance.relative.{role}": stops}, Trouble.TARGET)])


def _sensible(error_stops: float | None) -> bool:
    return error_stops is not None and CURED_STOPS < abs(error_stops) <= SENSIBLE_STOPS


def _same_side(report: Report) -> bool:
    """Return true if the brighter side is the one that the target makes brighter."""
    held, wanted = report.achieved.ratio_stops, report.target.ratio_stops
    return held is not None and wanted is not None and held * wanted >= 0


def _stops(count: float) -> str:
    """Format a number of stops with its noun."""
    return f"{count:g} {stop_noun(count)}"


def _lux(value: float) -> str:
    """Format an illuminance [lx] with three digits, or as a whole number from 100 lx on."""
    return f"{value:.0f} lx" if value >= 100 else f"{value:.3g} lx"


def _short(value: float) -> float:
    """Round to four digits: finer than a person can set, short enough to read."""
    return float(f"{value:.4g}")


def iso_from(now: float, *, up: bool) -> list[float]:
    """Return film speeds above (`up`) or below the present one, nearest first."""
    return [v for v in _by_distance(HIGHER_ISO_SERIES if up else ISO_SERIES, now) if (v > now) == up]


def apertures_from(now: float, *, wider: bool) -> list[float]:
    """Return f-numbers wider or narrower than the present one, nearest first."""
    return [v for v in _by_distance(APERTURE_SERIES, now) if (v < now) == wider]


def nd_from(now: float, *, less: bool) -> list[float]:
    """Return stops of ND below or above the present ones, nearest first; the lower ones include none."""
    if not less:
        return [now + k for k in range(1, MOST_ND_STOPS + 1)]
    wanted = [now - k for k in range(1, math.ceil(now) + 1) if now - k > 0]
    return [*wanted, 0.0] if now > 0 else []


def iso_stops(now: float, new: float) -> float:
    """Return the difference between two film speeds [stops]."""
    return abs(math.log2(new / now))


def aperture_stops(now: float, new: float) -> float:
    """Return the difference between two f-numbers [stops]; the light varies as the square."""
    return 2 * abs(math.log2(new / now))


def _by_distance(series: Sequence[float], now: float) -> list[float]:
    """Sort the series by distance from a value, without the value itself."""
    others = [value for value in series if abs(math.log2(value / now)) > NEXT_SETTING]
    return sorted(others, key=lambda value: abs(math.log2(value / now)))


def places_along(rig: Rig, head: Head, towards: Point, *, nearer: bool) -> Iterator[Point]:
    """Yield places [m], to the centimetre, on the line from the lit point through the head, nearest first.

    Places out of a stand's reach, or without room below the ceiling or before the wall, are left out.
    """
    least = max(NEAREST_HEAD_M, 0.6 * head.modifier.diameter)
    for factor in NEARER if nearer else FARTHER:
        x, y, z = (round(t + (p - t) * factor, 2) for p, t in zip(head.position, towards, strict=True))
        if math.dist((x, y, z), towards) >= least and _has_room(rig, head, (x, y, z)):
            yield x, y, z


def _has_room(rig: Rig, head: Head, place: Point) -> bool:
    if not LOWEST_HEAD_M <= place[2] <= HIGHEST_HEAD_M:
        return False
    wall, ceiling, radius = rig.plan.wall, rig.plan.ceiling, head.modifier.diameter / 2
    if ceiling is not None and not _clear(ceiling - place[2], ceiling - head.position[2], radius):
        return False
    if wall is None:
        return True
    inward = 1 if rig.camera.position[1] <= wall else -1
    return _clear(inward * (wall - place[1]), inward * (wall - head.position[1]), radius)


def _clear(gap: float, now: float, radius: float) -> bool:
    """Return true if a gap [m] holds half the lit face, or is no less than the head's present gap."""
    return gap >= (min(radius, now) if now > 0 else radius)


KINDS = (_iso, _aperture, _nd, _shutter, _diffusion, _shade, _moves, _lamps, _targets)
