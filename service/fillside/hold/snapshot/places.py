"""The places of a rig: marks, camera and heads, which stay between two calibrations."""

from __future__ import annotations

from fillside.balance.limits import limits_of
from fillside.balance.report import ReportModel
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import DEFAULT_CONSTANT, Point


class HeadPlace(ReportModel):
    """The place of a head, the rule that holds it, and its limits.

    `rule` is key, fill, hair, background or work; `floor` the least output it is held at, 0 when it is not
    held; `sigma_stops` the standard uncertainty of its predicted light, null without a calibration.
    """

    name: str
    role: str
    rule: str
    position: Point
    aim: Point
    floor: float
    dimmable: bool
    sigma_stops: float | None


class AmbientToward(ReportModel):
    """Lux with all heads out."""

    toward_key: float
    toward_fill: float
    toward_camera: float


class StudioPlaces(ReportModel):
    """A rig's places, in metres: x to the right as the camera sees it, y away from the camera, z up.

    `constants` are the C of ISO 2720 [lux second ISO] by receptor. `simulated` is that every lamp on a wire
    is, so that a simulated meter can read.
    """

    rig: str
    camera: Point
    looks: Point
    marks: dict[str, Point]
    ambient: AmbientToward
    constants: dict[str, float]
    simulated: bool
    heads: tuple[HeadPlace, ...]


def places_of(scene: Scene, calibration: Calibration | None) -> StudioPlaces:
    """The places of a scene."""
    rig = scene.rig
    known = calibration.heads if calibration is not None else {}
    least = limits_of(scene).least
    key, fill, camera = scene.ambient
    looks = rig.subject.looks
    kinds = {rig.drivers[head.drive.driver].kind for head in rig.heads if head.drive is not None}
    return StudioPlaces(
        rig=rig.rig.name,
        camera=rig.camera.position,
        looks=rig.camera.position if looks == "camera" else rig.marks[looks],
        marks=dict(rig.marks),
        ambient=AmbientToward(toward_key=key, toward_fill=fill, toward_camera=camera),
        constants={receptor: rig.meter.constant_of(receptor) for receptor in DEFAULT_CONSTANT},
        simulated=kinds == {"sim"},
        heads=tuple(
            HeadPlace(
                name=head.name,
                role=head.role,
                rule=scene.rules[i],
                position=head.position,
                aim=rig.aim_of(head),
                floor=float(least[i]),
                dimmable=not scene.fixed[i],
                sigma_stops=known[head.name].sigma_stops if head.name in known else None,
            )
            for i, head in enumerate(rig.heads)
        ),
    )
