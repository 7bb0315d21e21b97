"""What `[doors]`, `[sensors]` and `[keys]` say about the rest of the rig: names of marks, roles and heads."""

from __future__ import annotations

import re
from collections.abc import Iterator

from fillside.rig.problems import Path, Problem, did_you_mean
from fillside.rig.tables.head import WORK_ROLE
from fillside.rig.tables.keys import KEY_NAMES, ReadPhrase
from fillside.rig.tables.model import Rig

_OF_LINUX = re.compile(r"(key|btn)_[a-z0-9_]+")
"""Any key of a Linux input device may be named by its code, such as key_zoomin."""
HERE = ("127.0.0.1", "::1", "localhost")


def meter_checks(rig: Rig) -> Iterator[Problem]:
    """Meters at marks or facing heads that the rig does not have."""
    meters = rig.doors.mqtt.meters if rig.doors.mqtt is not None else {}
    heads = [head.name for head in rig.heads]
    for name, meter in meters.items():
        at: Path = ("doors", "mqtt", "meters", name)
        if isinstance(meter.at, str) and meter.at not in rig.marks:
            yield _no((*at, "at"), "mark", meter.at, list(rig.marks))
        if meter.facing not in ("head", "camera", *heads):
            yield _no((*at, "facing"), "head", meter.facing, ["head", "camera", *heads])


def sensor_checks(rig: Rig) -> Iterator[Problem]:
    """Sensors at marks, or facing marks and heads, that the rig does not have."""
    marks, heads = list(rig.marks), [head.name for head in rig.heads]
    for name, sensor in rig.sensors.items():
        first = rig.sensor_of(sensor.watches)
        if name != first:
            yield Problem(
                ("sensors", name, "watches"),
                f'"{first}" watches the {sensor.watches} already; one sensor of each kind can be',
            )
        if isinstance(sensor.at, str) and sensor.at not in marks:
            yield _no(("sensors", name, "at"), "mark", sensor.at, marks)
        if isinstance(sensor.facing, str) and sensor.facing not in ("camera", *marks, *heads):
            yield _no(("sensors", name, "facing"), "head", sensor.facing, ["camera", *marks, *heads])
        if sensor.at is not None and sensor.at == sensor.facing:
            yield Problem(("sensors", name, "facing"), "a sensor cannot face the place where it is")


def key_checks(rig: Rig) -> Iterator[Problem]:
    """Keys that no machine has, and actions on what the rig does not have."""
    keys = rig.keys
    for place, mark in enumerate(keys.programme):
        if mark not in rig.marks:
            yield _no(("keys", "programme", place), "mark", mark, list(rig.marks))
    if "press" not in keys.model_fields_set:
        return
    for key, text in keys.press.items():
        if key not in KEY_NAMES and not _OF_LINUX.fullmatch(key):
            yield Problem(
                ("keys", "press", key), f'there is no key "{key}"; {did_you_mean(key, KEY_NAMES, "keys")}'
            )
        if rig.read_phrase is not None:
            yield from _phrase_checks(key, text, rig.read_phrase, rig)


def _phrase_checks(key: str, text: str, read_phrase: ReadPhrase, rig: Rig) -> Iterator[Problem]:
    """Roles, marks and heads that a key names and the rig does not have."""
    at: Path = ("keys", "press", key)
    roles = list(dict.fromkeys(head.role for head in rig.heads if head.role != WORK_ROLE))
    named = read_phrase(text)
    if named.role is not None and named.role not in roles:
        yield _no(at, "role", named.role, roles)
    if named.mark is not None and named.mark not in rig.marks:
        yield _no(at, "mark", named.mark, list(rig.marks))
    if named.head is not None and named.head not in [head.name for head in rig.heads]:
        yield _no(at, "head", named.head, [head.name for head in rig.heads])


def _no(at: Path, kind: str, name: str, known: list[str]) -> Problem:
    return Problem(at, f'there is no {kind} "{name}"; {did_you_mean(name, known, f"{kind}s")}')


def doors_said(rig: Rig) -> dict[str, str]:
    """Each open door, and where it is."""
    doors, said = rig.doors, {}
    if doors.mqtt is not None:
        said["mqtt"] = f"broker {doors.mqtt.address}" + (", encrypted" if doors.mqtt.tls else "")
    if doors.osc is not None:
        heard = "; ".join(("this machine", *doors.osc.allow))
        said["osc"] = f"UDP {doors.osc.listen}, heard: {heard}"
    return said


def door_warnings(rig: Rig) -> Iterator[tuple[str, str]]:
    """What is legal at a door and may be regretted: key and sentence."""
    mqtt, osc = rig.doors.mqtt, rig.doors.osc
    if mqtt is not None and mqtt.broker not in HERE:
        if mqtt.user_from is None and mqtt.certificate_file is None:
            yield (
                "doors.mqtt",
                "whoever may publish on this broker may order light; give it a user, and topics to each user",
            )
        elif not mqtt.tls:
            yield "doors.mqtt.tls", "the password goes over the network as it is; tls = true encrypts it"
    if osc is not None and osc.allow:
        yield (
            "doors.osc.allow",
            "OSC knows no passwords, and an address can be forged; keep this network to yourself",
        )
