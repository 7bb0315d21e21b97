"""What can hurt people in a rig like this one, and what has to be fixed at the camera; each said once.

The wording is common practice of the trade and general prudence; it names no electrical code, because the
local one always comes first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from fillside.rig.model import Head, Rig

GAS_LAMPS = ("cfl", "tube", "discharge")
HOT_LAMPS = ("incandescent", "halogen", "discharge")
CLOSED_MODIFIERS = ("softbox",)
ABOVE_M, BESIDE_M = 0.3, 0.5
"""A head this much higher than a mark and less than this beside it, as seen from above, is over somebody."""


def cautions(rig: Rig) -> list[str]:
    """What to mind with the heads that this rig has; one sentence or two each, most dangerous first."""
    return [*_load(rig), *_overhead(rig), *_heat(rig), *_mercury(rig), *_no_dimming(rig), *_eyes(rig)]


def camera_advice(rig: Rig) -> list[str]:
    """What to fix in the camera's menu, or it works against the light that is held."""
    camera = rig.camera
    stated = [f"ISO {camera.iso:g}"] if camera.iso is not None else []
    if camera.shutter is not None:
        stated.append(
            f"shutter {camera.shutter}" if isinstance(camera.shutter, str) else f"{camera.shutter:g} s"
        )
    elif camera.shutter_angle is not None:
        stated.append(f"shutter angle {camera.shutter_angle:g}° at {camera.fps:g} frames/s")
    stated += [f"f/{camera.aperture:g}"] if camera.aperture is not None else []
    stated += (
        [f"{camera.nd_stops:g} {'stop' if camera.nd_stops <= 1 else 'stops'} of ND"]
        if camera.nd_stops
        else []
    )
    settings = f", as the rig file says: {', '.join(stated)}" if stated else ""
    return [
        f"Exposure on manual{settings}.",
        "ISO (gain) fixed: automatic ISO would follow the light and undo it.",
        "White balance fixed, on a number of kelvin or a card: automatic white balance drifts as lamps dim.",
        "Contrast aids off (automatic contrast, shadow lifting, backlight and face exposure): "
        "they change the ratio in the picture.",
    ]


def _names(heads: list[Head]) -> str:
    return ", ".join(head.name for head in heads)


def _load(rig: Rig) -> Iterator[str]:
    watts = sum(head.load_watts or 0.0 for head in rig.heads)
    silent = [head for head in rig.heads if head.load_watts is None]
    if not watts:
        stated = "The file states no lamp power"
    else:
        stated = f"The lamps draw {watts:.0f} W in all at full"
        stated += f", not counting {_names(silent)}" if silent else ""
    yield (
        f"Electrical load: {stated}; supplies and dimmers add to it. Spread it over circuits as the local "
        "electrical code says, and leave fixed wiring to a licensed electrician."
    )


def _overhead(rig: Rig) -> Iterator[str]:
    yield (
        "Stands: spread the legs, one under the load, as low as the light allows, a sandbag on the loaded "
        "leg; tape cables down where people walk."
    )
    above = [head for head in rig.heads if head.rule == "hair" or _over_somebody(head, rig)]
    if above:
        yield (
            f"Above people: secure {_names(above)}. Counterweight a boom, fix it twice with a safety wire, "
            "and let nobody sit under it while it is moved."
        )


def _over_somebody(head: Head, rig: Rig) -> bool:
    return any(
        head.position[2] > mark[2] + ABOVE_M
        and math.dist(head.position[:2], mark[:2]) - head.modifier.diameter / 2 < BESIDE_M
        for mark in rig.marks.values()
    )


def _heat(rig: Rig) -> Iterator[str]:
    closed = [head for head in rig.heads if head.modifier.kind in CLOSED_MODIFIERS]
    hot = [head for head in rig.heads if head.lamp is not None and head.lamp.kind in HOT_LAMPS]
    if closed:
        unmarked = [head for head in closed if head.modifier.max_watts is None or head.load_watts is None]
        ask = f" The file cannot tell for {_names(unmarked)}: give watts and max_watts." if unmarked else ""
        yield (
            f"Heat in closed modifiers ({_names(closed)}): stay under the lamp power that is marked on them, "
            f"keep their vents open, no hot lamp where none is allowed.{ask}"
        )
    if hot:
        yield (
            f"Hot lamps ({_names(hot)}): keep fabric, paper and hands away, and let glass cool before it is "
            "touched or packed."
        )


def _mercury(rig: Rig) -> Iterator[str]:
    gas = [head for head in rig.heads if head.lamp is not None and head.lamp.kind in GAS_LAMPS]
    if gas:
        yield (
            f"Mercury ({_names(gas)}): such lamps hold a little. If one breaks, send people out, air the "
            "room, do not vacuum, and dispose of it as local rules say."
        )


def _no_dimming(rig: Rig) -> Iterator[str]:
    undimmed = [head for head in rig.heads if head.dimming.fixed]
    if undimmed:
        yield (
            f"Not to be dimmed: {_names(undimmed)}. Never put such a lamp on a dimmed feed: it may flicker, "
            "overheat or fail."
        )


def _eyes(rig: Rig) -> Iterator[str]:
    if any(not head.dimming.fixed for head in rig.heads):
        yield (
            "Flicker: fades here never flash, but a lamp may flicker by itself, most when dimmed low. Ask "
            "before a shoot whether somebody is sensitive to flicker, and stop when somebody feels unwell."
        )
    limit = (
        "" if rig.subject.most_lux is not None else "; subject.most_lux sets a limit to the light on a face"
    )
    yield (
        "Glare: nobody should have to look into a lamp. Ask whoever sits in the light whether they see well "
        f"enough{limit}."
    )
