"""A first set from a few answers: places of camera, subject and heads, and their lamps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fillside.planning.answers.camera import MAINS
from fillside.planning.answers.lamps import LampOutput
from fillside.planning.answers.stands import eyes_m
from fillside.planning.equipment.lamps import LampAnswer, lamp_lumens
from fillside.planning.equipment.modifiers import TYPICAL_OPTICS, ModifierOptics
from fillside.planning.starter.stand_places import Stand, camera_m, view_deg, wall_spot
from fillside.rig.tables.model import Point

ROLES = ("key", "fill", "hair", "background")
BOUNCE = {True: 0.06, False: 0.02}
"""Share of light that a light or a dark room sends back (common practice, no source)."""
FLOORS = {"led": 0.02, "incandescent": 0.03, "halogen": 0.03, "cfl": 0.2, "tube": 0.1, "discharge": 0.5}
"""Smallest steady output by kind of lamp (common practice, no source)."""


@dataclass(frozen=True)
class FirstHead:
    """One head of the first set: its place, aim, lamp and modifier."""

    role: str
    stand: Stand
    position: Point
    aim: Point | None
    kind: str
    light: LampOutput
    lamp: LampAnswer
    count: int
    cct_k: float
    dimmable: bool
    modifier: str
    diameter_m: float
    usual: ModifierOptics
    floor: float


@dataclass(frozen=True)
class FirstSet:
    """Everything in the first rig file except the exposure settings."""

    answers: Mapping[str, Any]
    eyes_m: float
    camera: Point
    view_deg: float
    volts: float
    hertz: float
    amps: float
    bounce: float
    heads: tuple[FirstHead, ...]

    @property
    def subject(self) -> Point:
        return (0.0, 0.0, self.eyes_m)

    @property
    def fps(self) -> float:
        """The frame rate given with the shutter, or the one usual with the mains: half their frequency."""
        return float(self.answers.get("fps", self.hertz / 2))


def roles_of(answers: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the roles for which the answers have a head."""
    return tuple(role for role in ROLES if answers.get(role, True))


def first_set(answers: Mapping[str, Any]) -> FirstSet:
    """Return the set for complete answers, as `questions.default_answers` or a person gives them."""
    volts, hertz, amps = MAINS[answers["mains"]]
    return FirstSet(
        answers=answers,
        eyes_m=eyes_m(answers),
        camera=camera_m(answers),
        view_deg=view_deg(answers),
        volts=volts,
        hertz=hertz,
        amps=amps,
        bounce=BOUNCE[answers["light_room"]],
        heads=tuple(_head(role, answers) for role in roles_of(answers)),
    )


def _head(role: str, answers: Mapping[str, Any]) -> FirstHead:
    own = {key.partition(".")[2]: value for key, value in answers.items() if key.startswith(f"{role}.")}
    stand = Stand(own["distance"], own["angle"], own["height"])
    light: LampOutput = own["light"]
    return FirstHead(
        role=role,
        stand=stand,
        position=stand.point(eyes_m(answers)),
        aim=wall_spot(answers) if role == "background" else None,
        kind=own["lamp"],
        light=light,
        lamp=lamp_lumens(own["lamp"], watts=light.watts, lumens=light.lumens, count=own["count"]),
        count=own["count"],
        cct_k=own["cct"],
        dimmable=own["dimmable"],
        modifier=own["modifier"],
        diameter_m=0.0 if own["modifier"] == "bare" else float(own["size"]),
        usual=TYPICAL_OPTICS[own["modifier"]],
        floor=FLOORS[own["lamp"]],
    )
