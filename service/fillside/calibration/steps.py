"""What a guided routine asks for now, in words a person at the mark can follow with one hand free."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from fillside.calibration.checks import Check, Held, verdict
from fillside.calibration.routine import ACTS, WARM_APART_S, Routine
from fillside.rig.calibrated import Calibration
from fillside.rig.cautions import GAS_LAMPS, camera_advice, cautions
from fillside.rig.model import Point, Rig

STAY_ON = GAS_LAMPS
"""Lamp kinds that are not switched in the middle of metering: warm ones would start cold again."""


class Tick(BaseModel):
    """One thing to have seen to before light is metered."""

    model_config = ConfigDict(frozen=True)

    item: str
    says: str
    ticked: bool


class Asks(BaseModel):
    """The reading that is asked for; `head` is empty with all heads out, `level` has one number a head."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    head: str
    level: str
    at: Point
    receptor: Literal["flat", "dome"]
    facing: str
    expected_lux: float | None
    sigma_stops: float | None


class Step(BaseModel):
    """Where a routine is, what it asks, and what may be done.

    `lit` are the heads to be on by level while it is asked (None: the light as it is held). `wait_until` is
    the Unix time [s] before which the reading is not taken.
    """

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    routine: Literal["calibrate", "lineup"]
    stage: Literal["prepare", "warm", "read", "verify", "done"]
    number: int
    of: int
    title: str
    says: tuple[str, ...]
    ticks: tuple[Tick, ...] = ()
    asks: Asks | None = None
    lit: dict[str, float] | None = None
    wait_until: float | None = None
    may: tuple[str, ...] = ()
    left: bool = False
    ratio_sigma_stops: float | None = None
    exposure_sigma_stops: float | None = None
    verdict: dict[str, Any] | None = None


@dataclass(frozen=True)
class Known:
    """What a step is worked out from: the rig, the latest fit of this routine, and the calibration in use.

    `taken` counts this routine's readings by head.
    """

    rig: Rig
    latest: Calibration | None
    used: Calibration | None
    taken: Mapping[str, int]

    @property
    def best(self) -> Calibration | None:
        return self.used if self.latest is None else self.latest


def items_of(routine: Routine, rig: Rig) -> dict[str, str]:
    """What has to be ticked first, by a short word."""
    found = {}
    if routine.kind == "calibrate":
        for sentence in cautions(rig):
            word = re.sub(r"[^a-z0-9]+", "-", re.sub(r"\(.*?\)", "", sentence.split(":")[0].lower()))
            found[word.strip("-")[:32]] = sentence
    found["camera-on-manual"] = " ".join(camera_advice(rig))
    return found


def step_of(routine: Routine, known: Known) -> Step:
    """What is asked now."""
    step = {
        "prepare": _prepare,
        "warm": _warm,
        "read": _read,
        "verify": _verify,
        "done": _done,
    }[routine.stage](routine, known)
    return step.model_copy(update={"left": routine.left, "may": ACTS[routine.stage]})


def _prepare(routine: Routine, known: Known) -> Step:
    items = items_of(routine, known.rig)
    ticks = tuple(Tick(item=k, says=v, ticked=k in routine.ticked) for k, v in items.items())
    return Step(
        routine=routine.kind,
        stage="prepare",
        number=len([t for t in ticks if t.ticked]),
        of=len(ticks),
        title="Before any light is metered",
        says=(
            "Read each and tick it. Local codes and people licensed for it come before anything said here.",
        ),
        ticks=ticks,
    )


def _warm(routine: Routine, known: Known) -> Step:
    meter, place = known.rig.meter, known.rig.start
    last = routine.warm[-1] if routine.warm else None
    says = [
        f"All lamps are on as they are held. {_place_words(known.rig, place)}",
        f"{_receptor_words(meter.receptor)}, toward the {meter.facing}.",
    ]
    if last is not None:
        says.append(f"The last one was {last.lux:.0f} lx; lamps are warm when two minutes change it little.")
    return Step(
        routine=routine.kind,
        stage="warm",
        number=len(routine.warm) + 1,
        of=max(2, len(routine.warm) + 1),
        title="Are the lamps warm?",
        says=tuple(says),
        asks=Asks(
            head="",
            level="",
            at=place,
            receptor=meter.receptor,
            facing=meter.facing,
            expected_lux=None if last is None else last.lux,
            sigma_stops=None,
        ),
        wait_until=None if last is None else last.at + WARM_APART_S,
    )


def _read(routine: Routine, known: Known) -> Step:
    asked = reading_to_take(routine, known)
    assert asked is not None, "a routine with nothing to read is at its next stage"
    ratio, exposure = (None if known.latest is None else (known.latest.next or {}).get(k) for k in _SIGMAS)
    head = asked["head"] or ""
    lit, flagged = _lit(known, {head: asked["level"]} if head else {})
    says = [
        f"{head} alone, at level {asked['level']:.2f}." if head else "All heads out.",
        *flagged,
        _place_words(known.rig, tuple(asked["at"])),
        f"{_receptor_words(asked['receptor'])}, {_facing_words(asked['facing'], head)}.",
    ]
    return Step(
        routine=routine.kind,
        stage="read",
        number=len(routine.readings) + 1,
        of=max(len(routine.readings) + 1, 3 * len(_metered_heads(known.rig))),
        title=f"Meter {head}" if head else "Meter the room",
        says=tuple(says),
        asks=Asks(
            head=head,
            level=f"{asked['level']:g}" if head else "",
            at=tuple(asked["at"]),
            receptor=asked["receptor"],
            facing=asked["facing"],
            expected_lux=asked["expected_lux"],
            sigma_stops=asked.get("sigma_stops"),
        ),
        lit=lit,
        ratio_sigma_stops=ratio,
        exposure_sigma_stops=exposure,
    )


_SIGMAS = ("ratio_sigma_stops", "exposure_sigma_stops")


def reading_to_take(routine: Routine, known: Known) -> dict[str, Any] | None:
    """The one more reading that helps most; None when one may as well stop.

    Every head is read once at least, passed over ones aside, whatever the estimate says.
    """
    asked = None if known.latest is None else known.latest.next
    unread = [
        name
        for name in _metered_heads(known.rig)
        if not known.taken.get(name) and name not in routine.passed_over
    ]
    wanted = asked is not None and not asked["enough"] and asked["head"] not in routine.passed_over
    if wanted:
        return asked
    if not unread:
        return None
    return _plain_reading(known, unread[0])


def _plain_reading(known: Known, name: str) -> dict[str, Any]:
    held = Held(known.rig, known.best, known.rig.start)
    check = held.alone(held.scene.index(name))
    level = min(max(check.lit[name], 0.1), 1.0)
    return {
        "head": name,
        "level": round(level, 2),
        "at": check.at,
        "receptor": "flat",
        "facing": "head",
        "expected_lux": check.expected_lux,
    }


def _metered_heads(rig: Rig) -> list[str]:
    return [head.name for head in rig.heads if head.rule != "work" and not head.dimming.fixed]


def _verify(routine: Routine, known: Known) -> Step:
    held = Held(known.rig, known.best, known.rig.start)
    asked = check_to_take(routine, held)
    assert asked is not None, "a routine with nothing to check is done"
    planned = held.checks(background=routine.kind == "lineup")
    lit, flagged = _lit(known, asked.lit)
    names = " and ".join(asked.lit)
    says = [
        f"{names} on as held, the others out." if asked.what != "background" else "All heads on as held.",
        *flagged,
        _place_words(known.rig, asked.at),
        f"{_receptor_words(asked.receptor)}, {_facing_words(asked.facing, asked.head or '')}.",
    ]
    return Step(
        routine=routine.kind,
        stage="verify",
        number=len(routine.checked) + 1,
        of=max(len(planned), len(routine.checked) + 1),
        title=_TITLES[asked.what].format(head=asked.head),
        says=tuple(says),
        asks=Asks(
            head="+".join(asked.lit),
            level="+".join(f"{level:g}" for level in asked.lit.values()),
            at=asked.at,
            receptor=asked.receptor,
            facing=asked.facing,
            expected_lux=asked.expected_lux,
            sigma_stops=asked.sigma_stops,
        ),
        lit=lit,
    )


_TITLES = {
    "head": "Check {head} alone",
    "near": "Check {head} again, nearer to it",
    "exposure": "Check the exposure",
    "background": "Check the background",
}


def check_to_take(routine: Routine, held: Held) -> Check | None:
    """The next check; one head that is off is read once more, nearer to it; None when all are done."""
    last = routine.checked[-1] if routine.checked else None
    if last is not None and last.check.what == "head" and not last.good and last.check.head is not None:
        return held.nearer(held.scene.index(last.check.head))
    done = {(c.check.what, c.check.head) for c in routine.checked}
    for check in held.checks(background=routine.kind == "lineup"):
        passed = f"{check.what} {check.head or ''}".strip() in routine.passed_over
        if (check.what, check.head) not in done and not passed:
            return check
    return None


def _done(routine: Routine, known: Known) -> Step:
    held = Held(known.rig, known.best, known.rig.start)
    result = verdict(held, routine.checked)
    return Step(
        routine=routine.kind,
        stage="done",
        number=len(routine.checked),
        of=len(routine.checked),
        title="Go" if result.go else "Not as expected",
        says=result.says,
        verdict=result.model_dump(mode="json"),
    )


def _lit(known: Known, wanted: dict[str, float]) -> tuple[dict[str, float], list[str]]:
    """The heads to be on, and what to do about lamps that must not be switched while they are warm."""
    steady = [
        head.name
        for head in known.rig.heads
        if head.lamp is not None and head.lamp.kind in STAY_ON and head.name not in wanted
    ]
    dimmable = [name for name in steady if not known.rig.head(name).dimming.fixed]
    held = Held(known.rig, known.best, known.rig.start)
    lit = {**wanted, **{name: held.levels[name] for name in dimmable}}
    if not steady:
        return lit, []
    names = ", ".join(steady)
    return lit, [
        f"{names} stays on, since it would start cold again: turn the lamp away, or hold a card between lamp "
        "and meter; never cover a lamp."
    ]


def _place_words(rig: Rig, place: Sequence[float]) -> str:
    mark, point = min(rig.marks.items(), key=lambda item: math.dist(item[1], place))
    off = math.dist(point, place)
    height = f"{place[2]:.2f} m above the floor"
    if off < 0.03:
        return f"Meter at {mark}, {height}: where the nose will be, arm out, phone screen away."
    right, away, up = (p - m for p, m in zip(place, point, strict=True))
    ways = [
        f"{abs(right):.2f} m to the {'right' if right > 0 else 'left'} as the camera sees it"
        if abs(right) > 0.03
        else "",
        f"{abs(away):.2f} m {'away from' if away > 0 else 'toward'} the camera" if abs(away) > 0.03 else "",
        f"{abs(up):.2f} m {'higher' if up > 0 else 'lower'}" if abs(up) > 0.03 else "",
    ]
    said = ", ".join(way for way in ways if way)
    return f"Meter {said} from {mark}, {height}. Measure it: 5 cm count. Arm out, phone screen away."


def _receptor_words(receptor: str) -> str:
    return "Dome out" if receptor == "dome" else "Flat receptor"


def _facing_words(facing: str, head: str) -> str:
    if facing == "camera":
        return "pointed at the camera"
    return f"pointed at the middle of {head if facing == 'head' else facing}"
