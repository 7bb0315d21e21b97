"""Consistency checks across the tables of a rig file: unknown names and impossible places."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator

from fillside.rig.notation import OUT
from fillside.rig.problems import Path, Problem, did_you_mean
from fillside.rig.scene.scene import subject_place_error
from fillside.rig.tables.keys import KEY_NAMES, ReadPhrase
from fillside.rig.tables.model import BALANCED_ROLES, NEAREST_M, WORK_ROLE, Point, Rig

_APART_M = 0.01
"""Two places closer than this [m] do not define a direction."""
_LINUX_KEY = re.compile(r"(key|btn)_[a-z0-9_]+")
"""Name of a key of a Linux input device by its code, such as key_zoomin."""


def cross_checks(rig: Rig) -> list[Problem]:
    """Return all contradictions between the tables of `rig`, apart from the drivers' own keys.

    A rig without key or fill, with fixed lamps only, or with targets for roles that no head has, is sound.
    """
    named = [*_names(rig), *_marks(rig), *_subject(rig), *_heads(rig), *_balance(rig), *_plan(rig)]
    named += [*_meters(rig), *_sensors(rig), *_keys(rig)]
    return named if named else [*_places(rig), *_directions(rig)]


def _names(rig: Rig) -> Iterator[Problem]:
    seen: set[str] = set()
    for i, head in enumerate(rig.heads):
        if head.name in seen:
            yield Problem(
                ("heads", i, "name"), f'another head is named "{head.name}"; give each its own name'
            )
        seen.add(head.name)


def _marks(rig: Rig) -> Iterator[Problem]:
    if "camera" in rig.marks:
        yield Problem(("marks", "camera"), 'a mark cannot be named "camera", which means the camera itself')


def _subject(rig: Rig) -> Iterator[Problem]:
    if rig.subject.at is not None and rig.subject.at not in rig.marks:
        yield _unknown(("subject", "at"), "mark", rig.subject.at, rig.marks)
    if rig.subject.looks != "camera" and rig.subject.looks not in rig.marks:
        yield _unknown(("subject", "looks"), "mark", rig.subject.looks, (*rig.marks, "camera"))


def _heads(rig: Rig) -> Iterator[Problem]:
    for i, head in enumerate(rig.heads):
        if isinstance(head.aim, str) and head.aim not in rig.marks:
            yield _unknown(("heads", i, "aim"), "mark", head.aim, rig.marks)
        for part, table in (("lamp", head.lamp), ("modifier", head.modifier)):
            if table is not None and isinstance(table.photometry, str):
                why = f'"{table.photometry}" was not read; a rig file that names files is read from disk'
                yield Problem(("heads", i, part, "photometry"), why)
        if head.drive is not None and head.drive.driver not in rig.drivers:
            name = head.drive.driver
            hint = did_you_mean(name, rig.drivers, "[drivers.NAME] table")
            yield Problem(("heads", i, "drive", "driver"), f'there is no driver "{name}"; {hint}')


def _balance(rig: Rig) -> Iterator[Problem]:
    held = (*BALANCED_ROLES, WORK_ROLE)
    for table, roles in (("relative", rig.balance.relative), ("against", rig.balance.against)):
        for role in roles:
            if role in held:
                why = "is never part of the balance" if role == WORK_ROLE else "is held by ratio and exposure"
                yield Problem(("balance", table, role), f'role "{role}" {why}; leave it out')
    for role, stops in rig.balance.relative.items():
        always_on = undimmed(rig, role) if stops == OUT else None
        if always_on is not None:
            yield Problem(("balance", "relative", role), cannot_be_out(role, always_on))
    if rig.balance.exposure == "camera":
        yield from _camera_exposure(rig)


def undimmed(rig: Rig, role: str) -> str | None:
    """Return the name of a role's head that is always on, None if it has none."""
    return next((head.name for head in rig.heads if head.role == role and head.dimming.fixed), None)


def cannot_be_out(role: str, always_on: str) -> str:
    """Return the reason a role with a head that is always on cannot be put out."""
    return f'{always_on} cannot be dimmed, so {role} cannot be "{OUT}"; give it stops'


def _plan(rig: Rig) -> Iterator[Problem]:
    names = [head.name for head in rig.heads]
    plugged: dict[str, str] = {}
    for circuit, table in rig.plan.circuits.items():
        for i, name in enumerate(table.heads):
            at = ("plan", "circuits", circuit, "heads", i)
            if name not in names:
                yield _unknown(at, "head", name, names)
            elif name in plugged:
                yield Problem(at, f'head "{name}" is on circuit "{plugged[name]}" already; it has one plug')
            plugged[name] = circuit
    for key, named in (("ripple", rig.plan.ripple), ("umbrellas", rig.plan.umbrellas)):
        for name in named:
            if name not in names:
                yield _unknown(("plan", key, name), "head", name, names)


def _camera_exposure(rig: Rig) -> Iterator[Problem]:
    camera = rig.camera
    why = 'balance.exposure = "camera" needs it; give it, or give balance.exposure as a number of lux'
    if camera.iso is None:
        yield Problem(("camera", "iso"), f"is missing; {why}")
    if camera.aperture is None:
        yield Problem(("camera", "aperture"), f"is missing; {why}")
    if camera.exposure_time_s is None:
        yield Problem(("camera", "shutter"), f"is missing; {why}")


def _places(rig: Rig) -> Iterator[Problem]:
    for name, point in rig.marks.items():
        if why := subject_place_error(rig, point):
            yield Problem(("marks", name), f"a subject cannot be there: {why}")


def _directions(rig: Rig) -> Iterator[Problem]:
    for i, head in enumerate(rig.heads):
        aim = rig.aim_of(head)
        if math.dist(aim, head.position) < _APART_M:
            key = "position" if head.aim is None else "aim"
            yield Problem(("heads", i, key), "the head is aimed at its own position; it must point somewhere")
        if head.role == "background" and math.dist(aim, rig.camera.position) < _APART_M:
            yield Problem(("heads", i, "aim"), "is where the camera is; give a point on the background")
    for name, point in rig.marks.items():
        if math.dist(point, rig.camera.position) < NEAREST_M:
            yield Problem(("marks", name), "is where the camera is; put one of them elsewhere")
    looks = _looked_at(rig)
    if looks is not None and math.dist(looks, rig.start) < _APART_M:
        yield Problem(("subject", "looks"), "is where the subject is; the face must look somewhere else")


def _looked_at(rig: Rig) -> Point | None:
    return None if rig.subject.looks == "camera" else rig.marks[rig.subject.looks]


def _meters(rig: Rig) -> Iterator[Problem]:
    meters = rig.doors.mqtt.meters if rig.doors.mqtt is not None else {}
    heads = [head.name for head in rig.heads]
    for name, meter in meters.items():
        at: Path = ("doors", "mqtt", "meters", name)
        if isinstance(meter.at, str) and meter.at not in rig.marks:
            yield _unknown((*at, "at"), "mark", meter.at, rig.marks)
        if meter.facing not in ("head", "camera", *heads):
            yield _unknown((*at, "facing"), "head", meter.facing, ["head", "camera", *heads])


def _sensors(rig: Rig) -> Iterator[Problem]:
    marks, heads = list(rig.marks), [head.name for head in rig.heads]
    for name, sensor in rig.sensors.items():
        first = rig.sensor_of(sensor.watches)
        if name != first:
            yield Problem(
                ("sensors", name, "watches"),
                f'"{first}" watches the {sensor.watches} already; one sensor of each kind can be',
            )
        if isinstance(sensor.at, str) and sensor.at not in marks:
            yield _unknown(("sensors", name, "at"), "mark", sensor.at, marks)
        if isinstance(sensor.facing, str) and sensor.facing not in ("camera", *marks, *heads):
            yield _unknown(("sensors", name, "facing"), "head", sensor.facing, ["camera", *marks, *heads])
        if sensor.at is not None and sensor.at == sensor.facing:
            yield Problem(("sensors", name, "facing"), "a sensor cannot face the place where it is")


def _keys(rig: Rig) -> Iterator[Problem]:
    keys = rig.keys
    for place, mark in enumerate(keys.programme):
        if mark not in rig.marks:
            yield _unknown(("keys", "programme", place), "mark", mark, rig.marks)
    if "press" not in keys.model_fields_set:
        return
    for key, text in keys.press.items():
        if key not in KEY_NAMES and not _LINUX_KEY.fullmatch(key):
            yield _unknown(("keys", "press", key), "key", key, KEY_NAMES)
        if rig.read_phrase is not None:
            yield from _key_phrase(key, text, rig.read_phrase, rig)


def _key_phrase(key: str, text: str, read_phrase: ReadPhrase, rig: Rig) -> Iterator[Problem]:
    """Check the role, mark and head that a key names."""
    at: Path = ("keys", "press", key)
    roles = list(dict.fromkeys(head.role for head in rig.heads if head.role != WORK_ROLE))
    phrase = read_phrase(text)
    if phrase.role is not None and phrase.role not in roles:
        yield _unknown(at, "role", phrase.role, roles)
    if phrase.mark is not None and phrase.mark not in rig.marks:
        yield _unknown(at, "mark", phrase.mark, rig.marks)
    if phrase.head is not None and phrase.head not in [head.name for head in rig.heads]:
        yield _unknown(at, "head", phrase.head, [head.name for head in rig.heads])


def _unknown(at: Path, kind: str, name: str, known: Iterable[str]) -> Problem:
    return Problem(at, f'there is no {kind} "{name}"; {did_you_mean(name, known, f"{kind}s")}')
