"""What a person could change to reach a balance that the lamps, as they stand, cannot.

Every remedy is a change of the rig that was tried by solving again; one without effect is not offered. They
stand in bands by the error they leave, within a band by the trouble they are: the camera's dials, filters on
the lens, a scrim on a head, shading the daylight, moving a stand, another lamp. A changed wish comes last.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

from fillside.balance.remedies.camera_settings import (
    aperture_stops,
    apertures_from,
    iso_from,
    iso_stops,
    nd_from,
)
from fillside.balance.remedies.stand_moves import places_along
from fillside.balance.report import Remedy, Report
from fillside.balance.solution import solve_rig
from fillside.rig.calibration import Calibration
from fillside.rig.file.change import apply_change
from fillside.rig.notation import noun, ratio_text
from fillside.rig.tables.model import WORK_ROLE, Head, Point, Rig

Change = dict[str, Any]

CURED_STOPS = 0.05
"""An error this small needs no further remedy."""
WORTH_TROUBLE_STOPS = 0.1
"""What a remedy must bring, or half the error where that is less: a stand is not carried for a hair."""
BANDS_STOPS = (0.1, 0.5)
"""Remedies that leave at most this much stand together, however they differ within."""

MOST_SCRIM_STOPS, MOST_SHADE_STOPS = 4, 5

EASY_DIAL_STOPS = 2.1
"""So far a dial is turned without a second thought: two stops, and what names in thirds round."""
SENSIBLE_STOPS = 2.0
"""A wish that is farther than this from the one stated is another picture and no advice."""
LEAST_WISHED_LUX = 5.0
"""Below this no camera makes a clean picture of a face (common practice, no source)."""


class Trouble(IntEnum):
    """What a change costs the person who makes it, the least first."""

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
    WISH = 10


_DIALS = (Trouble.ISO, Trouble.APERTURE, Trouble.ND, Trouble.FAR_ISO, Trouble.FAR_APERTURE)


@dataclass(frozen=True)
class _Step:
    """One size of one kind of change, how to say it, and the trouble it is."""

    do: str
    change: Change
    trouble: Trouble


@dataclass(frozen=True)
class _Found:
    """A step that was tried, and the error it leaves in stops."""

    step: _Step
    leaves_stops: float

    @property
    def band(self) -> int:
        return sum(self.leaves_stops > edge for edge in BANDS_STOPS)

    @property
    def place(self) -> tuple[bool, int, int, float]:
        """Where it stands among others; a difference below a tenth of a stop is none."""
        is_wish = self.step.trouble is Trouble.WISH
        return is_wish, self.band, self.step.trouble, round(self.leaves_stops, 1)

    @property
    def remedy(self) -> Remedy:
        return Remedy(do=self.step.do, change=self.step.change, leaves_stops=self.leaves_stops)


@dataclass(frozen=True)
class _Case:
    """The rig that does not reach its balance, and the report that says so."""

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
        """The largest error after a change; None where the rig may not be changed so, or a role drops out."""
        try:
            rig = apply_change(self.rig, change)
        except ValueError:
            return None
        after = solve_rig(rig, self.subject, None, self.calibration).report
        return None if _without(after) - _without(self.report) else after.worst_error_stops


def _without(report: Report) -> set[str]:
    """The quantities that have no error because there is no light to speak of."""
    held = report.achieved
    errors = {"ratio": held.ratio_error_stops, "exposure": held.exposure_error_stops, **held.relative}
    return {name for name, error in errors.items() if error is None}


def remedies(
    rig: Rig, subject: Sequence[float] | None = None, calibration: Calibration | None = None
) -> tuple[Remedy, ...]:
    """Changes that bring the balance nearer for a subject at a place [m], in the order to try them.

    Empty where the balance is reached. Each leaves what it says once its change is in the rig.
    """
    x, y, z = rig.start if subject is None else subject
    case = _Case(rig, (x, y, z), calibration, solve_rig(rig, (x, y, z), None, calibration).report)
    if case.error_stops <= CURED_STOPS:
        return ()
    found = [best for kind in _KINDS for best in _bests(case, kind(case))]
    return tuple(one.remedy for one in _shutter_last(sorted(found, key=lambda one: one.place)))


def _bests(case: _Case, ways: Iterable[Iterable[_Step]]) -> Iterator[_Found]:
    """The best step of each way, of ways that turn the same key opposite ways only the better."""
    by_keys: dict[tuple[str, ...], _Found] = {}
    for steps in ways:
        best = _best(case, steps)
        if best is not None:
            keys = tuple(best.step.change)
            by_keys[keys] = min(by_keys.get(keys, best), best, key=lambda one: one.leaves_stops)
    yield from by_keys.values()


def _best(case: _Case, steps: Iterable[_Step]) -> _Found | None:
    """The smallest step that cures, else the one that leaves least, if it is worth the trouble."""
    best: _Found | None = None
    for step in steps:
        left = case.left_by(step.change)
        if left is None:
            continue
        if best is None or left < best.leaves_stops - 0.01:
            best = _Found(step, round(left, 4))
        if left <= CURED_STOPS:
            break
    worth = min(WORTH_TROUBLE_STOPS, case.error_stops / 2)
    return best if best is not None and best.leaves_stops <= case.error_stops - worth else None


def _shutter_last(found: list[_Found]) -> list[_Found]:
    """Without those dials that leave so much more than the shutter that they would stand behind it."""
    places = [i for i, one in enumerate(found) if one.step.trouble is Trouble.SHUTTER]
    if not places:
        return found
    return [one for i, one in enumerate(found) if i <= places[0] or one.step.trouble not in _DIALS]


def _limited(case: _Case) -> Iterator[tuple[Head, str]]:
    """Heads that stand at a limit, and at which; one that cannot be dimmed stands at both."""
    for said in case.report.heads:
        head = case.rig.head(said.name)
        if said.at_limit is not None:
            yield head, said.at_limit
        elif head.dimming.fixed and head.rule != WORK_ROLE:
            yield head, "full"
            yield head, "floor"


def _moves(case: _Case) -> Iterator[Iterator[_Step]]:
    for head, limit in _limited(case):
        yield _along_its_line(case, head, nearer=limit == "full")


def _along_its_line(case: _Case, head: Head, *, nearer: bool) -> Iterator[_Step]:
    towards = case.rig.aim_of(head) if head.role == "background" else case.subject
    now = math.dist(head.position, towards)
    way = "nearer" if nearer else "farther off"
    for x, y, z in places_along(case.rig, head, towards, nearer=nearer):
        distance = math.dist((x, y, z), towards)
        do = (
            f"Move {head.name} {way}: {distance:.2f} m instead of {now:.2f} m, to ({x:g}, {y:g}, {z:g}) m; "
            "it then wants a reading."
        )
        yield _Step(do, {f"heads.{head.name}.position": [x, y, z]}, Trouble.STAND)


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
        yield _Step(f"Use {lamps} in {head.name} instead of {now}{load}.", change, Trouble.LAMP)


def _diffusion(case: _Case) -> Iterator[Iterator[_Step]]:
    """A scrim on each head that gives too much by itself, and on all of them together."""
    heads = [head for head, limit in _limited(case) if limit == "floor"]
    for head in heads:
        yield _diffusion_steps([head])
    if len(heads) > 1:
        yield _diffusion_steps(heads)


def _diffusion_steps(heads: Sequence[Head]) -> Iterator[_Step]:
    """A stated intensity is with all diffusion, so more of it lowers that too."""
    names = " and ".join(head.name for head in heads) if len(heads) < 3 else "each head at its floor"
    each = ", each," if len(heads) == 2 else ""
    for halves in range(1, 2 * MOST_SCRIM_STOPS + 1):
        more = halves / 2
        change: Change = {}
        for head in heads:
            change[f"heads.{head.name}.modifier.diffusion"] = head.modifier.diffusion + more
            if head.intensity is not None:
                change[f"heads.{head.name}.intensity"] = _short(head.intensity * math.exp2(-more))
        yield _Step(f"Take {more:g} stop off {names}{each} with a scrim or diffusion.", change, Trouble.SCRIM)


def _shade(case: _Case) -> Iterator[Iterator[_Step]]:
    """Less daylight, in all directions alike."""
    ambient = case.rig.ambient
    stated = {f"ambient.{key}": lux for key, lux in ambient.model_dump(exclude_unset=True).items() if lux}
    if stated:
        yield _shade_steps(stated)


def _shade_steps(stated: dict[str, float]) -> Iterator[_Step]:
    most = max(stated.values())
    for halves in range(1, 2 * MOST_SHADE_STOPS + 1):
        stops = halves / 2
        change = {key: _short(lux * math.exp2(-stops)) for key, lux in stated.items()}
        left = most * math.exp2(-stops)
        do = f"Shade the daylight: {_lux(left)} at most instead of {_lux(most)}, {_stops(stops)} less."
        yield _Step(do, change, Trouble.SHADE)


def _camera_ways(
    case: _Case,
    key: str,
    values: Callable[[bool], Iterable[float]],
    say: Callable[[float], str],
    trouble: Callable[[float], Trouble],
) -> Iterator[Iterator[_Step]]:
    """Settings that need less light (`values(True)`) or more, as what is missing says, else both ways."""
    if case.rig.balance.exposure != "camera":
        return
    off = case.exposure_off_stops
    for less in (off < 0,) if abs(off) > CURED_STOPS else (True, False):
        yield (_Step(say(v), {f"camera.{key}": v}, trouble(v)) for v in values(less))


def _iso(case: _Case) -> Iterator[Iterator[_Step]]:
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


def _aperture(case: _Case) -> Iterator[Iterator[_Step]]:
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


def _nd(case: _Case) -> Iterator[Iterator[_Step]]:
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


def _shutter(case: _Case) -> Iterator[Iterator[_Step]]:
    """Only to half the frame's time, where the camera is off it: exposure is no reason to leave that rule."""
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
    yield iter([_Step(do, change, Trouble.SHUTTER)])


def _wishes(case: _Case) -> Iterator[Iterator[_Step]]:
    """What is held now as the wish, where somebody might have wished it."""
    held, target = case.report.achieved, case.report.target
    if _sensible(held.ratio_error_stops) and held.ratio is not None and _same_side(case.report):
        ratio = float(f"{held.ratio:.3g}")
        yield iter([_Step(f"Accept a ratio of {ratio_text(ratio)}.", {"balance.ratio": ratio}, Trouble.WISH)])
    if _sensible(held.exposure_error_stops) and held.exposure_lux >= LEAST_WISHED_LUX:
        lux = float(f"{held.exposure_lux:.3g}")
        do = f"Accept {_lux(lux)} at the subject instead of {_lux(target.exposure_lux)}."
        yield iter([_Step(do, {"balance.exposure": lux}, Trouble.WISH)])
    for role, goal in target.relative.items():
        now = held.relative.get(role)
        if goal is not None and now is not None and _sensible(now - goal):
            stops = round(now, 2)
            do = f"Accept {role} at {stops:+.2f} {noun(stops)} instead of {goal:+.2f}."
            yield iter([_Step(do, {f"balance.relative.{role}": stops}, Trouble.WISH)])


def _sensible(error_stops: float | None) -> bool:
    return error_stops is not None and CURED_STOPS < abs(error_stops) <= SENSIBLE_STOPS


def _same_side(report: Report) -> bool:
    """Whether the brighter side is the one that was wished brighter."""
    held, wanted = report.achieved.ratio_stops, report.target.ratio_stops
    return held is not None and wanted is not None and held * wanted >= 0


def _stops(count: float) -> str:
    """A number of stops with its noun."""
    return f"{count:g} {noun(count)}"


def _lux(value: float) -> str:
    """Illuminance with three digits, none of them behind the point from a hundred on."""
    return f"{value:.0f} lx" if value >= 100 else f"{value:.3g} lx"


def _short(value: float) -> float:
    """Four digits: more than a person can set, few enough to read."""
    return float(f"{value:.4g}")


_KINDS = (_iso, _aperture, _nd, _shutter, _diffusion, _shade, _moves, _lamps, _wishes)
