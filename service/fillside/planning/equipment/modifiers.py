"""Modifiers: the size of the lit face, the light lost, and the geometry of umbrellas."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from fillside.planning.figures import PlanningAnswer
from fillside.rig.tables.model import Head, Rig
from fillside.rig.tables.plan import Umbrella


class ModifierOptics(NamedTuple):
    """Typical optics of a kind of modifier that was not measured: share of light passed, and spread."""

    efficiency: float
    spread: float


TYPICAL_OPTICS: dict[str, ModifierOptics] = {
    "bare": ModifierOptics(0.5, 0.0),
    "shoot-through": ModifierOptics(0.45, 1.0),
    "reflective": ModifierOptics(0.5, 1.5),
    "softbox": ModifierOptics(0.4, 1.2),
    "panel": ModifierOptics(0.9, 1.0),
    "reflector": ModifierOptics(0.7, 4.0),
}
"""Efficiency and spread by kind: half to two stops lost (common practice, no source). A bare bulb shines
in all directions, so half its light goes forward and evenly.
"""

RINGS, LEAST_CANOPY_M, FLATTEST_M = 400, 0.05, 1e-5
TYPICAL_DEPTH_RATIO = 0.22
"""Depth of an open umbrella over its diameter where only its size is known (common practice, no source)."""
NEAR_CLOTH_M = 0.12
"""Distance [m] between lamp and cloth below which a hot lamp needs watching (common practice, no source)."""

ASSUMES = (
    "the canopy is a part of a sphere and spreads light evenly from where it is lit; the lamp lights evenly "
    "within its beam; read the light at the subject with a meter before trusting it"
)


def disc_diameter_m(width_m: float, height_m: float) -> float:
    """Return the diameter [m] of the disc with the area of a rectangular lit face: sqrt(4 w h / pi).

    Raises ValueError unless `width_m` and `height_m` are above 0 m. Against Lambert's polygon formula the
    light on the axis of a 0.6 x 0.9 m face at 1.2 m is 1.3 % (0.02 stop) high; at one side's length from a
    square it is 0.8 %.

    >>> round(disc_diameter_m(0.6, 0.9), 3)
    0.829
    """
    if width_m <= 0 or height_m <= 0:
        raise ValueError("width and height are above 0 m")
    return math.sqrt(4 * width_m * height_m / math.pi)


@dataclass(frozen=True)
class Canopy:
    """An open umbrella: diameter across the rim [m], depth from rim plane to crown [m], and the number of
    times its cloth is gathered (1 fully open).
    """

    diameter_m: float
    depth_m: float
    gathered: float = 1.0

    def __post_init__(self) -> None:
        if not (self.diameter_m >= LEAST_CANOPY_M and FLATTEST_M <= self.depth_m <= self.diameter_m):
            raise ValueError("a canopy is 5 cm or more across, and deep, but not deeper than across")

    @property
    def radius_m(self) -> float:
        """Radius [m] of the canopy's sphere: (D^2 / 4 + h^2) / (2 h), from the sagitta."""
        return (self.diameter_m**2 / 4 + self.depth_m**2) / (2 * self.depth_m)

    def closed_to(self, diameter_m: float) -> Canopy:
        """Return the same umbrella pulled in to a smaller diameter [m].

        The stiff ribs turn about the crown, so the straight line from crown to rim keeps its length and the
        canopy gets deeper; its cloth is gathered in proportion to the shorter rim. Raises ValueError for a
        diameter that is not above 0, exceeds the present one, or leaves no face.
        """
        if not 0 < diameter_m <= self.diameter_m:
            raise ValueError(f"it closes to above 0 and at most {self.diameter_m:g} m")
        rib = math.hypot(self.diameter_m / 2, self.depth_m)
        depth = math.sqrt(rib**2 - diameter_m**2 / 4)
        gathered = self.gathered * self.diameter_m / diameter_m
        if depth > diameter_m:
            raise ValueError("closed that far no face is left to light; open it wider")
        return replace(self, diameter_m=diameter_m, depth_m=depth, gathered=gathered)


def typical_canopy(diameter_m: float) -> Canopy:
    """Return a canopy of this diameter [m] and the typical depth."""
    return Canopy(diameter_m, TYPICAL_DEPTH_RATIO * diameter_m)


def open_diameter_m(named_m: float, depth_over_diameter: float = TYPICAL_DEPTH_RATIO) -> float:
    """Return the diameter across the rim [m] of an umbrella named by its size along the cloth, as sold.

    A named size is the arc 2 R asin(D / 2 R) over the crown (common practice, no source; the geometry of a
    spherical cap).

    >>> round(open_diameter_m(1.0), 2)
    0.89
    """
    flat = Canopy(1.0, depth_over_diameter)
    return named_m / (2 * flat.radius_m * math.asin(0.5 / flat.radius_m))


class LitFace(PlanningAnswer):
    """The illumination of an umbrella's cloth.

    `lit_diameter_m` is the diameter at which the lamp's beam ends on the canopy. `effective_diameter_m` is
    the evenly lit disc with the same spread of light about its middle. `caught_share` is the part of the beam
    that meets cloth, `centre_over_edge_stops` the excess of light on the crown over the lit edge,
    `cloth_loss_stops` the loss in gathered cloth beyond one layer, and `nearest_cloth_m` the distance from
    lamp to cloth.
    """

    lit_diameter_m: float
    effective_diameter_m: float
    caught_share: float
    centre_over_edge_stops: float
    cloth_loss_stops: float
    nearest_cloth_m: float
    caution: str | None
    assumes: str = ASSUMES


def lit_face(
    canopy: Canopy, bulb_m: float, beam_deg: float = 180.0, layer_loss_stops: float = 1.0
) -> LitFace:
    """Return the lit face of a canopy whose lamp sits `bulb_m` [m] from the crown on the shaft and faces it.

    `beam_deg` is the full angle that the lamp lights evenly, at most 180. `layer_loss_stops` is the loss in
    one layer of cloth (0 for a reflective umbrella). Ring by ring the illuminance is cos i / r^2
    (inverse-square and cosine law); the effective disc has the same mean square radius, which for an even
    disc of radius a is a^2 / 2. Raises ValueError for a lamp or beam outside these bounds, or a beam that
    misses the canopy.
    """
    if bulb_m <= 0 or not 0 < beam_deg <= 180:
        raise ValueError("the lamp sits above 0 m from the crown and lights above 0 and at most 180 degrees")
    edges = np.linspace(0.0, canopy.diameter_m / 2, RINGS + 1)
    ring = (edges[1:] + edges[:-1]) / 2
    height = canopy.radius_m - np.sqrt(canopy.radius_m**2 - ring**2)
    slope = np.arcsin(ring / canopy.radius_m)
    ahead, distance = bulb_m - height, np.hypot(ring, bulb_m - height)
    off_axis = np.arctan2(ring, ahead)
    cosine = (ahead * np.cos(slope) + ring * np.sin(slope)) / distance
    lux = np.where(off_axis <= math.radians(beam_deg / 2), np.maximum(cosine, 0.0) / distance**2, 0.0)
    if not lux.any():
        raise ValueError("no light of that beam meets the canopy")
    mean_square = float((lux * ring**3).sum() / (lux * ring).sum())
    lit = lux > 0
    rim_angle = math.atan2(canopy.diameter_m / 2, bulb_m - canopy.depth_m)
    half = math.radians(beam_deg / 2)
    return LitFace(
        lit_diameter_m=2 * float(edges[1:][lit].max()),
        effective_diameter_m=min(canopy.diameter_m, 2 * math.sqrt(2 * mean_square)),
        caught_share=(1 - math.cos(min(rim_angle, half))) / (1 - math.cos(half)),
        centre_over_edge_stops=math.log2(float(lux[0]) / float(lux[lit][-1])),
        cloth_loss_stops=(canopy.gathered - 1) * layer_loss_stops,
        nearest_cloth_m=float(distance.min()),
        caution=_caution(float(distance.min()), canopy.gathered),
    )


def _caution(nearest_m: float, gathered: float) -> str | None:
    if nearest_m < NEAR_CLOTH_M or gathered > 1.05:
        return (
            f"the cloth is {100 * nearest_m:.0f} cm from the lamp"
            + (f" and gathered {gathered:.1f} times" if gathered > 1.05 else "")
            + ": only a cool lamp within the umbrella's rated watts, never a halogen lamp, never unwatched"
        )
    return None


def place_of_most_light_m(canopy: Canopy, subject_m: float) -> float:
    """Return the distance [m] from crown to lamp at which a shiny umbrella gives the most light.

    The mirror equation 1 / s + 1 / d = 2 / R puts the lamp's image at the subject, `subject_m` in front of
    the crown (any textbook of optics; near the axis). With matt cloth the place matters less: a lamp deeper
    in is brighter until it no longer fills the canopy. Raises ValueError for a subject nearer than half the
    canopy's radius.

    >>> round(place_of_most_light_m(Canopy(1.0, 0.2), 1e9), 3)
    0.363
    """
    radius = canopy.radius_m
    if subject_m <= radius / 2:
        raise ValueError("a subject nearer than half the canopy's radius cannot be reached by an image")
    return subject_m * radius / (2 * subject_m - radius)


class UmbrellaAnswer(PlanningAnswer):
    """An umbrella as set up, and the diameter that the rig file states for its lit face [m].

    `told` is the reason if no lit face can be computed. `most_light_m` is, for a reflective umbrella, the
    lamp's distance from the crown that gives the first mark the most light.
    """

    head: str
    face: LitFace | None
    stated_diameter_m: float
    told: str | None
    most_light_m: float | None = None


def umbrella_answers(rig: Rig) -> tuple[UmbrellaAnswer, ...]:
    """Return the answers for every head whose umbrella `[plan.umbrellas]` describes."""
    return tuple(_umbrella(rig, rig.head(name), umbrella) for name, umbrella in rig.plan.umbrellas.items())


def _umbrella(rig: Rig, head: Head, umbrella: Umbrella) -> UmbrellaAnswer:
    stated = head.modifier.diameter
    across = umbrella.open_diameter if umbrella.open_diameter is not None else stated
    loss = (head.modifier.loss or 1.0) if head.modifier.kind == "shoot-through" else 0.0
    try:
        canopy = Canopy(
            across, umbrella.depth if umbrella.depth is not None else TYPICAL_DEPTH_RATIO * across
        )
        if umbrella.closed_to is not None:
            canopy = canopy.closed_to(umbrella.closed_to)
        face = lit_face(canopy, umbrella.bulb, umbrella.beam, loss)
        reflects = head.modifier.kind == "reflective"
        away = math.dist(head.position, rig.first_mark)
        most = place_of_most_light_m(canopy, away) if reflects else None
    except ValueError as error:
        return UmbrellaAnswer(head=head.name, face=None, stated_diameter_m=stated, told=str(error))
    return UmbrellaAnswer(head=head.name, face=face, stated_diameter_m=stated, told=None, most_light_m=most)
