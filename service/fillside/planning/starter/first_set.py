"""A first set from a few answers: places of camera, subject and heads, and their lamps."""

from __future__ import annotations

from dataclasses import dataclass

from fillside.planning.answers.camera import MAINS, Shutter
from fillside.planning.answers.lamps import LampOutput
from fillside.planning.answers.question import Answers, uses_feet
from fillside.planning.answers.stands import eyes_m
from fillside.planning.answers.wires import Broker, BulbMessage, Slots, dimmed_roles
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
class FirstWire:
    """The wire of the dimmed heads, in the order of `roles`, and the settings that its kind needs."""

    kind: str
    roles: tuple[str, ...]
    slots: Slots
    universe: int
    to: tuple[str, ...]
    device: str
    broker: Broker
    topics: tuple[str, ...]
    message: BulbMessage


@dataclass(frozen=True)
class FirstSet:
    """Everything in the first rig file except the ISO; `wire` is None where no lamp is dimmed.

    With `feet` the comments give lengths in feet and inches too.
    """

    name: str
    feet: bool
    stands: bool
    glasses: bool
    eyes_m: float
    camera: Point
    camera_distance_m: float
    wall_m: float
    ceiling_m: float
    aperture: float
    shutter: Shutter
    fps: float
    ratio: str
    view_deg: float
    volts: float
    hertz: float
    amps: float
    bounce: float
    heads: tuple[FirstHead, ...]
    wire: FirstWire | None

    @property
    def subject(self) -> Point:
        return (0.0, 0.0, self.eyes_m)


def roles_of(answers: Answers) -> tuple[str, ...]:
    """Return the roles for which the answers have a head."""
    return tuple(role for role in ROLES if answers.get(role, True))


def first_set(answers: Answers) -> FirstSet:
    """Return the set for complete answers, as `questions.default_answers` or a person gives them."""
    volts, hertz, amps = MAINS[answers["mains"]]
    return FirstSet(
        name=answers["name"],
        feet=uses_feet(answers),
        stands=answers["stands"],
        glasses=answers["glasses"],
        eyes_m=eyes_m(answers),
        camera=camera_m(answers),
        camera_distance_m=answers["camera"],
        wall_m=answers["wall"],
        ceiling_m=answers["ceiling"],
        aperture=float(answers["aperture"]),
        shutter=answers["shutter"],
        # Without a frame rate beside the shutter, the usual one: half the mains frequency.
        fps=float(answers.get("fps", hertz / 2)),
        ratio=answers["ratio"],
        view_deg=view_deg(answers),
        volts=volts,
        hertz=hertz,
        amps=amps,
        bounce=BOUNCE[answers["light_room"]],
        heads=tuple(_head(role, answers) for role in roles_of(answers)),
        wire=_wire(answers),
    )


def _wire(answers: Answers) -> FirstWire | None:
    """Return the wire of complete answers; settings that its kind has no question for keep their defaults."""
    if "driver" not in answers:
        return None
    roles = dimmed_roles(answers)
    return FirstWire(
        kind=answers["driver"],
        roles=roles,
        slots=answers.get("slots", Slots(tuple(range(1, 1 + len(roles))))),
        universe=answers.get("universe", 1),
        to=answers.get("to", ()),
        device=answers.get("device", ""),
        broker=answers.get("broker", Broker("")),
        topics=answers.get("topics", ()),
        message=answers.get("message", BulbMessage("")),
    )


def _head(role: str, answers: Answers) -> FirstHead:
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
