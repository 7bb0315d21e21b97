"""The places of a rig: marks, camera and heads, which change only with the rig file or the calibration."""

from __future__ import annotations

from fillside.balance.limits import limits_of
from fillside.balance.report import ReportModel
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import DEFAULT_CONSTANT, Point


class HeadPlace(ReportModel):
    """The place of a head, the rule that sets its level, and its limits.

    `rule` is key, fill, hair, background or work; `floor` is the least output at which the head is held, 0 if
    it is not held.
    """

    name: str
    role: str
    rule: str
    position: Point
    aim: Point
    floor: float
    dimmable: bool


class AmbientToward(ReportModel):
    """The ambient light, with all heads out [lx]."""

    toward_key: float
    toward_fill: float
    toward_camera: float


class StudioPlaces(ReportModel):
    """A rig's places, in metres: x to the right as seen by the camera, y away from the camera, z up.

    `constants` are the C of ISO 2720 [lux second ISO] by receptor. `simulated` is true if every lamp on a
    wire is simulated, so that a simulated meter can take readings.
    """

    rig: str
    camera: Point
    looks: Point
    marks: dict[str, Point]
    ambient: AmbientToward
    constants: dict[str, float]
    simulated: bool
    heads: tuple[HeadPlace, ...]


def places_of(scene: Scene) -> StudioPlaces:
    """Return the places of a scene."""
    rig = scene.rig
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
            )
            for i, head in enumerate(rig.heads)
        ),
    )
