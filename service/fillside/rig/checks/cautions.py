"""Safety cautions for a rig, and the settings to fix at the camera.

Every caution is written here and nowhere else: `check`, the first `run`, the plan, the sheet, the page and
the start of a calibration show those that apply to a rig. The wording is common practice of the trade and
general prudence; it names no electrical code, because the local one always comes first.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from fillside.rig.tables.model import Head, Rig

GAS_LAMPS = ("cfl", "tube", "discharge")
HOT_LAMPS = ("incandescent", "halogen", "discharge")
CLOSED_MODIFIERS = ("softbox",)
MAYBE_CLOSED = (*CLOSED_MODIFIERS, "other")
"""Modifiers that may enclose a bulb: a lantern or a globe has no kind of its own."""
OPEN_TO_THE_EYE = ("bare", "reflector")
"""Modifiers that leave the light source itself in view."""
ABOVE_M, BESIDE_M = 0.3, 0.5
"""A head this much above a mark, and this close to it in plan, is over somebody."""
ALL_FROM = 4
"""Number of heads from which a caution that applies to all of them does not name them."""
MOST_NAMED = 6
"""The most heads that a caution names; the others are counted."""

Group = Literal["Electricity", "Stands and people", "Heat and glass", "Eyes"]


class Cause(NamedTuple):
    """The heads a caution applies to, and their names in its text."""

    heads: tuple[str, ...] = ()
    named: str = ""


NO_CAUSE = Cause()


@dataclass(frozen=True)
class Caution:
    """One caution.

    Attributes:
        key: permanent identifier.
        group: its heading.
        title: subject in a few words.
        text: advice.
        cause: the heads it applies to.
        metering: true if it must be confirmed before a calibration, which lights every head at full while
            somebody walks between them in the dark.
        tick: its line on the check-list before a shoot, if any.
    """

    key: str
    group: Group
    title: str
    text: str
    cause: Cause = NO_CAUSE
    metering: bool = False
    tick: str | None = None

    @property
    def says(self) -> str:
        """The caution as one paragraph."""
        return f"{self.title}{f' ({self.cause.named})' if self.cause.named else ''}: {self.text}"


def caution_texts(rig: Rig) -> list[str]:
    """Return the cautions for a rig, one paragraph each, the most dangerous first."""
    return [caution.says for caution in cautions_of(rig)]


def cautions_of(rig: Rig) -> tuple[Caution, ...]:
    """Return the cautions that apply to a rig, group by group."""
    return (*_electricity(rig), *_stands_and_people(rig), *_heat(rig), *_eyes(rig))


def camera_advice(rig: Rig) -> list[str]:
    """Return the settings to fix in the camera's menu, so that its automatics do not counteract the hold."""
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


def _of(rig: Rig, heads: Sequence[Head]) -> Cause:
    names = tuple(head.name for head in heads)
    if len(names) >= ALL_FROM and len(names) == len(rig.heads):
        return Cause(names, "all heads")
    more = len(names) - MOST_NAMED
    return Cause(names, ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else ""))


def _kind(head: Head) -> str | None:
    return None if head.lamp is None else head.lamp.kind


def _on_wire(rig: Rig, kind: str) -> list[Head]:
    tables = {name: table.kind for name, table in rig.drivers.items()}
    return [head for head in rig.heads if head.drive is not None and tables.get(head.drive.driver) == kind]


def _electricity(rig: Rig) -> Iterator[Caution]:
    yield from _mains(rig)
    yield from _batteries(rig)
    serial = _on_wire(rig, "dmx-serial")
    if serial:
        yield Caution(
            "dmx-line",
            "Electricity",
            "DMX line",
            "between a computer and lamps on other circuits use an isolated adapter; their earths may "
            "differ.",
            _of(rig, serial),
        )
    yield Caution(
        "switch",
        "Electricity",
        "Switch",
        "Fillside is no safety device; keep a switch that cuts the power within reach.",
        tick="A switch for all of it within reach, and everybody knows where",
    )


def _mains(rig: Rig) -> Iterator[Caution]:
    mains = [head for head in rig.heads if not head.on_battery]
    if mains:
        yield Caution(
            "electrical-load",
            "Electricity",
            "Electrical load",
            f"{_load(mains)}; supplies and dimmers add to it. Spread it over circuits as the local "
            "electrical code says, and leave fixed wiring to a licensed electrician.",
            metering=True,
            tick="Load of each circuit added up, then plugged in",
        )
        yield Caution(
            "cables",
            "Electricity",
            "Cables",
            "never coil a loaded cable, it overheats; never plug one power strip into another.",
            tick="Cables run out full length, no power strip in a power strip",
        )


def _load(heads: Iterable[Head]) -> str:
    watts = sum(head.load_watts or 0.0 for head in heads)
    silent = [head.name for head in heads if head.load_watts is None]
    if not watts:
        return "the file states no lamp power"
    stated = f"the lamps draw {watts:.0f} W in all at full"
    return stated + (f", not counting {', '.join(silent)}" if silent else "")


def _batteries(rig: Rig) -> Iterator[Caution]:
    """Yield the caution for lamps on batteries, and for LEDs that may be."""
    stated = [head for head in rig.heads if head.on_battery]
    plugged_in = {name for circuit in rig.plan.circuits.values() for name in circuit.heads}
    open_to_it = any(
        _kind(head) in ("led", None) and (head.lamp is None or head.lamp.battery is None)
        for head in rig.heads
        if head.name not in plugged_in
    )
    if stated or open_to_it:
        yield Caution(
            "batteries",
            "Electricity",
            "Batteries",
            "use their own charger, attended; retire any that is swollen, dented or hot as local rules say.",
            _of(rig, stated),
            tick="Batteries charged, none swollen or dented" if stated else None,
        )


def _stands_and_people(rig: Rig) -> Iterator[Caution]:
    yield Caution(
        "stands",
        "Stands and people",
        "Stands",
        "spread the legs, sandbag the loaded one, stay low; tape cables down where people walk.",
        metering=True,
        tick="Stands by the tape; loaded leg sandbagged; cables taped",
    )
    above = [head for head in rig.heads if head.rule == "hair" or _over_somebody(head, rig)]
    if above:
        yield Caution(
            "above-people",
            "Stands and people",
            "Above people",
            "counterweight the boom, add a safety wire; nobody sits under it while it is moved.",
            _of(rig, above),
            metering=True,
            tick="Nothing over people without a safety wire",
        )
    yield Caution(
        "children-and-pets",
        "Stands and people",
        "Children and pets",
        "keep them away from stands, cables and lamps; never leave a lit set unattended.",
        tick="Children and pets out of the set",
    )


def _over_somebody(head: Head, rig: Rig) -> bool:
    return any(
        head.position[2] > mark[2] + ABOVE_M
        and math.dist(head.position[:2], mark[:2]) - head.modifier.diameter / 2 < BESIDE_M
        for mark in rig.marks.values()
    )


def _heat(rig: Rig) -> Iterator[Caution]:
    yield from _enclosed(rig)
    hot = [head for head in rig.heads if _kind(head) in HOT_LAMPS]
    if hot:
        yield Caution(
            "hot-lamps",
            "Heat and glass",
            "Hot lamps",
            "keep fabric, paper and hands away; touch the glass of a halogen lamp with a cloth only, and "
            "cold.",
            _of(rig, hot),
            metering=True,
        )
    yield Caution(
        "touching-a-lamp",
        "Heat and glass",
        "Before you touch a lamp",
        "unplug it and let it cool; LEDs get hot too.",
    )
    yield from _lamps(rig)


def _lamps(rig: Rig) -> Iterator[Caution]:
    gas = [head for head in rig.heads if _kind(head) in GAS_LAMPS]
    if gas:
        yield Caution(
            "mercury",
            "Heat and glass",
            "Mercury",
            "such lamps hold a little. If one breaks, send people out, air the room, do not vacuum, and "
            "dispose of it as local rules say.",
            _of(rig, gas),
            metering=True,
        )
    undimmed = [head for head in rig.heads if head.dimming.fixed]
    if undimmed:
        yield Caution(
            "not-to-be-dimmed",
            "Heat and glass",
            "Not to be dimmed",
            "never put such a lamp on a dimmed feed: it may flicker, overheat or fail.",
            _of(rig, undimmed),
            metering=True,
        )


def _enclosed(rig: Rig) -> Iterator[Caution]:
    """Yield the cautions for lamps in modifiers that trap heat, and for bulbs not made for them."""
    closed = [head for head in rig.heads if head.modifier.kind in CLOSED_MODIFIERS]
    if closed:
        unmarked = [head for head in closed if head.modifier.max_watts is None or head.load_watts is None]
        names = ", ".join(head.name for head in unmarked)
        ask = f" The file cannot tell for {names}: give watts and max_watts." if unmarked else ""
        yield Caution(
            "heat-in-closed-modifiers",
            "Heat and glass",
            "Heat in closed modifiers",
            f"stay within the power and kind of lamp marked on them; keep vents open.{ask}",
            _of(rig, closed),
            metering=True,
        )
    bulbs = [head for head in _on_wire(rig, "mqtt") if head.modifier.kind in MAYBE_CLOSED]
    if bulbs:
        yield Caution(
            "bulbs-in-closed-fixtures",
            "Heat and glass",
            "Bulbs in closed fixtures",
            "a bulb is made for open air and overheats when shut in; use one marked for enclosed fixtures, "
            "or leave the fixture open.",
            _of(rig, bulbs),
            metering=True,
        )


def _eyes(rig: Rig) -> Iterator[Caution]:
    chips = [
        head for head in rig.heads if _kind(head) in ("led", None) and head.modifier.kind in OPEN_TO_THE_EYE
    ]
    if chips:
        # The blue-light hazard of IEC 62471; such lamps are marked "do not stare at operating lamp".
        yield Caution(
            "bare-led-chips",
            "Eyes",
            "Bare LED chips",
            "do not stare into them while lit; a small bright source can injure the eye.",
            _of(rig, chips),
            metering=True,
        )
    bulbs = [head for head in _on_wire(rig, "mqtt") if _comes_back_full(head)]
    if bulbs:
        yield Caution(
            "after-a-power-cut",
            "Eyes",
            "After a power cut",
            "most bulbs come back at full by themselves; warn whoever is in the light, or set them to "
            "their last level where their maker lets you.",
            _of(rig, bulbs),
        )
    yield from _in_the_light(rig)


def _in_the_light(rig: Rig) -> Iterator[Caution]:
    if any(not head.dimming.fixed for head in rig.heads):
        yield Caution(
            "flicker",
            "Eyes",
            "Flicker",
            "fades here never flash, but a lamp may flicker when dimmed low. Ask beforehand whether anybody "
            "is sensitive to flicker, and stop when anybody feels unwell.",
            metering=True,
            tick="Whoever sits in the light asked whether they are sensitive to flicker",
        )
    limit = "" if rig.subject.most_lux is not None else ", and set subject.most_lux"
    yield Caution(
        "glare",
        "Eyes",
        "Glare",
        "nobody should have to look into a lamp; ask whoever sits in the light whether they see well"
        f"{limit}.",
        metering=True,
        tick="Whoever sits in the light asked whether they see well",
    )


def _comes_back_full(head: Head) -> bool:
    return head.drive is None or head.drive.driver_keys.get("comes_back", "full") == "full"
