"""What was understood of a rig file, what is odd about it, and what to mind before switching on."""

from __future__ import annotations

import math
from collections.abc import Iterator

from pydantic import BaseModel, ConfigDict

from fillside.rig.checks.cautions import GAS_LAMPS, camera_advice, cautions
from fillside.rig.checks.door_checks import door_warnings, doors_said
from fillside.rig.checks.lamp_warnings import lamp_table_warnings
from fillside.rig.checks.white_warnings import white_warnings
from fillside.rig.notation import tenths
from fillside.rig.scene.target import exposure_target_lux
from fillside.rig.tables.model import (
    DEFAULT_RELATIVE_STOPS,
    FARTHEST_M,
    RELATIVE_ROLES,
    CurveTable,
    Head,
    Point,
    Rig,
)

DIFFERS_FROM_STOPS = 0.5
"""From this difference on, stated intensity and what lamp and modifier promise contradict each other."""


class _ReportModel(BaseModel):
    model_config = ConfigDict(frozen=True, allow_inf_nan=False)


class HeadUnderstood(_ReportModel):
    """One head as the file describes it; angles are seen from where the subject starts.

    `side_deg` is the angle sideways from the camera, positive to the camera's right; `up_deg` above the face.
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


class Warned(_ReportModel):
    """Something legal that is probably not meant: the dotted key, and one sentence."""

    key: str
    says: str


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
    ambient_lux: tuple[float, float, float]
    heads: tuple[HeadUnderstood, ...]
    drivers: dict[str, str]
    doors: dict[str, str]
    warnings: tuple[Warned, ...]
    cautions: tuple[str, ...]
    camera: tuple[str, ...]


def check_rig(rig: Rig) -> RigReport:
    """What a sound rig says and leaves unsaid."""
    balance = rig.balance
    return RigReport(
        rig=rig.rig.name,
        marks=dict(rig.marks),
        subject=rig.start,
        looks=rig.subject.looks,
        ratio=balance.ratio_value,
        read_as=balance.read_as,
        ratio_stops=_stops(rig),
        exposure_target_lux=exposure_target_lux(rig),
        ambient_lux=rig.ambient.toward,
        heads=tuple(_understood(rig, head) for head in rig.heads),
        drivers={name: table.kind for name, table in rig.drivers.items()},
        doors=doors_said(rig),
        warnings=tuple(warnings(rig)),
        cautions=tuple(cautions(rig)),
        camera=tuple(camera_advice(rig)),
    )


def _stops(rig: Rig) -> float | None:
    """The ratio as stops of key over fill, each alone; None where it is read on the face."""
    if rig.balance.read_as == "face":
        return None
    return math.log2(rig.balance.ratio_value - (1 if rig.balance.read_as == "key+fill:fill" else 0))


def _understood(rig: Rig, head: Head) -> HeadUnderstood:
    side, up = _bearing(rig, head)
    curve = head.dimming.curve
    return HeadUnderstood(
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


def warnings(rig: Rig) -> Iterator[Warned]:
    """What is legal but probably not meant."""
    yield from _balance_warnings(rig)
    for head in rig.heads:
        yield from _light_warnings(head)
        yield from (Warned(key=key, says=says) for key, says in lamp_table_warnings(head))
        yield from _dimming_warnings(head)
        yield from _place_warnings(rig, head)
    yield from (Warned(key=key, says=says) for key, says in white_warnings(rig))
    used = {head.drive.driver for head in rig.heads if head.drive is not None}
    for name in rig.drivers:
        if name not in used:
            yield Warned(key=f"drivers.{name}", says="no head is on this driver")
    for key, says in door_warnings(rig):
        yield Warned(key=key, says=says)


def _balance_warnings(rig: Rig) -> Iterator[Warned]:
    roles = {head.role for head in rig.heads}
    for role in ("key", "fill"):
        if role not in roles:
            yield Warned(key="heads", says=f"no head is {role}: no ratio can be held, only the exposure")
    for table, wishes in (("relative", rig.balance.relative), ("against", rig.balance.against)):
        for role in wishes:
            if role not in roles:
                yield Warned(key=f"balance.{table}.{role}", says=f"no head has the role {role}")
    for role, rule in {head.role: head.rule for head in rig.heads if head.rule in RELATIVE_ROLES}.items():
        if role not in rig.balance.relative:
            stops = DEFAULT_RELATIVE_STOPS[rule]
            against = rig.balance.against.get(role, "exposure" if rule == "background" else "key")
            says = f"nothing is said of {role}; it is held at {stops:+.1f} stops against the {against}"
            yield Warned(key="balance.relative", says=says)
    target, most = exposure_target_lux(rig), rig.subject.most_lux
    if most is not None and most < target:
        yield Warned(
            key="subject.most_lux",
            says=f"{most:.0f} lx at most on the face, but the exposure asks for {target:.0f} lx",
        )
    ambient = max(rig.ambient.toward)
    if ambient > target / 2:
        yield Warned(
            key="ambient",
            says=f"{ambient:.0f} lx of the room leave little to hold of a target of {target:.0f} lx",
        )
    if not 10 <= target <= 20_000:
        yield Warned(key="camera", says=f"these settings ask for {target:.3g} lx at the face; is that meant?")


def _light_warnings(head: Head) -> Iterator[Warned]:
    computed = head.computed_intensity_cd
    modifier, key = head.modifier, f"heads.{head.name}"
    if head.intensity is not None and computed is not None:
        stops = math.log2(head.intensity / computed)
        if abs(stops) > DIFFERS_FROM_STOPS:
            yield Warned(
                key=f"{key}.intensity",
                says=f"{head.intensity:.0f} cd is {tenths(stops)} "
                f"{'over' if stops > 0 else 'under'} the {computed:.0f} cd that lamp and modifier promise; "
                "the stated value is used",
            )
    silent = modifier.efficiency is None and modifier.loss is None and modifier.photometry is None
    if head.intensity is None and silent and modifier.kind != "bare":
        yield Warned(
            key=f"{key}.modifier",
            says=f"a {modifier.kind} without efficiency or loss is taken to lose nothing; "
            "0.5 to 2 stops are usual, so meter it",
        )


def _dimming_warnings(head: Head) -> Iterator[Warned]:
    lamp = head.lamp
    if lamp is None or lamp.kind not in GAS_LAMPS or head.dimming.fixed:
        return
    if "dimmable" not in lamp.model_fields_set:
        yield Warned(
            key=f"heads.{head.name}.lamp",
            says=f"many {lamp.kind} lamps must not be dimmed; see the lamp's marking and say dimmable = true",
        )
    if head.dimming.floor == 0:
        yield Warned(
            key=f"heads.{head.name}.dimming.floor",
            says=f"no floor is given, and a {lamp.kind} lamp goes out or flickers when dimmed low",
        )


def _place_warnings(rig: Rig, head: Head) -> Iterator[Warned]:
    key = f"heads.{head.name}.position"
    away = math.dist(head.position, rig.first_mark)
    if away > FARTHEST_M:
        yield Warned(key=key, says=f"{away:.0f} m from the first mark; places are in metres")
    if head.position[2] < 0:
        yield Warned(key=key, says=f"{-head.position[2]:.2f} m under the floor; z points up")
    first = next(other for other in rig.heads if math.dist(other.position, head.position) < 0.01)
    if first is not head:
        yield Warned(key=key, says=f"the same place as {first.name}")
    if head.rule in ("key", "fill", "hair") and _behind(rig, head):
        yield Warned(
            key=f"heads.{head.name}.aim", says="the subject's place is behind its lit face, in the dark"
        )


def _behind(rig: Rig, head: Head) -> bool:
    toward = [a - p for a, p in zip(rig.aim_of(head), head.position, strict=True)]
    subject = [s - p for s, p in zip(rig.start, head.position, strict=True)]
    return sum(t * s for t, s in zip(toward, subject, strict=True)) <= 0
