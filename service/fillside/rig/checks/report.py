"""The report of `fillside check`: the rig as understood, its warnings and its cautions."""

from __future__ import annotations

import math

from pydantic import BaseModel, ConfigDict

from fillside.rig.checks.cautions import camera_advice, caution_texts
from fillside.rig.checks.warnings import RigWarning, rig_warnings
from fillside.rig.notation import RoomLightKnown
from fillside.rig.scene.room import room_light_known
from fillside.rig.scene.scene import exposure_target_lux
from fillside.rig.tables.model import (
    CurveTable,
    Head,
    Point,
    Rig,
    Room,
)


class _ReportModel(BaseModel):
    model_config = ConfigDict(frozen=True, allow_inf_nan=False)


class HeadSummary(_ReportModel):
    """One head as the file describes it, as seen from the subject's starting place.

    `side_deg` is the angle sideways from the camera, positive to the camera's right; `up_deg` is the angle
    above the face.
    """

    name: str
    role: str
    holds_like: str
    distance_m: float
    side_deg: float
    up_deg: float
    intensity_cd: float
    intensity_from: str
    curve: str
    floor: float
    driver: str | None
    full_scale: int


class RoomSummary(_ReportModel):
    """The room as the file describes it; `sends_back` is the mean reflectance of its surfaces."""

    size: tuple[float, float, float]
    tone: str
    sends_back: float


class RigReport(_ReportModel):
    """The answer to `fillside check`."""

    rig: str
    marks: dict[str, Point]
    subject: Point
    looks: str
    ratio: float
    read_as: str
    ratio_stops: float | None
    exposure_target_lux: float
    room: RoomSummary | None
    ambient_lux: tuple[float, float, float]
    room_light: RoomLightKnown
    heads: tuple[HeadSummary, ...]
    drivers: dict[str, str]
    doors: dict[str, str]
    warnings: tuple[RigWarning, ...]
    cautions: tuple[str, ...]
    camera: tuple[str, ...]


def check_rig(rig: Rig) -> RigReport:
    """Summarize a sound rig."""
    balance = rig.balance
    return RigReport(
        rig=rig.rig.name,
        marks=dict(rig.marks),
        subject=rig.start,
        looks=rig.subject.looks,
        ratio=balance.ratio_value,
        read_as=balance.read_as,
        ratio_stops=_ratio_stops(rig),
        exposure_target_lux=exposure_target_lux(rig),
        room=None if rig.room is None else _room(rig.room),
        ambient_lux=rig.ambient_toward,
        room_light=room_light_known(rig, None),
        heads=tuple(_summary(rig, head) for head in rig.heads),
        drivers={name: table.kind for name, table in rig.drivers.items()},
        doors=_doors(rig),
        warnings=tuple(rig_warnings(rig)),
        cautions=tuple(caution_texts(rig)),
        camera=tuple(camera_advice(rig)),
    )


def _room(room: Room) -> RoomSummary:
    tone = room.tone if isinstance(room.tone, str) else "stated"
    return RoomSummary(size=room.size, tone=tone, sends_back=room.mean_reflectance)


def _ratio_stops(rig: Rig) -> float | None:
    """Return the ratio as stops of key over fill, each alone; None if it is read on the face."""
    if rig.balance.read_as == "face":
        return None
    return math.log2(rig.balance.ratio_value - (1 if rig.balance.read_as == "key+fill:fill" else 0))


def _summary(rig: Rig, head: Head) -> HeadSummary:
    side, up = _bearing(rig, head)
    curve = head.dimming.curve
    return HeadSummary(
        name=head.name,
        role=head.role,
        holds_like=head.rule,
        distance_m=math.dist(head.position, rig.start),
        side_deg=side,
        up_deg=up,
        intensity_cd=head.intensity_cd,
        intensity_from=_intensity_from(head),
        curve="table" if isinstance(curve, CurveTable) else curve,
        floor=head.dimming.floor,
        driver=None if head.drive is None else head.drive.driver,
        full_scale=rig.full_scale_of(head),
    )


def _intensity_from(head: Head) -> str:
    if head.intensity is not None:
        return "the file"
    return "lamp and modifier" if head.table is None else "photometric file"


def _bearing(rig: Rig, head: Head) -> tuple[float, float]:
    here, camera, there = rig.start, rig.camera.position, head.position
    to_camera = math.atan2(camera[0] - here[0], here[1] - camera[1])
    to_head = math.atan2(there[0] - here[0], here[1] - there[1])
    side = math.remainder(to_head - to_camera, 2 * math.pi)
    up = math.atan2(there[2] - here[2], math.dist(there[:2], here[:2]))
    return math.degrees(side), math.degrees(up)


def _doors(rig: Rig) -> dict[str, str]:
    doors, places = rig.doors, {}
    if doors.mqtt is not None:
        places["mqtt"] = f"broker {doors.mqtt.address}" + (", encrypted" if doors.mqtt.tls else "")
    if doors.osc is not None:
        heard = "; ".join(("this machine", *doors.osc.allow))
        places["osc"] = f"UDP {doors.osc.listen}, heard: {heard}"
    return places
