"""Checklists before, during and after a shoot with this rig; common practice of the trade, no source."""

from __future__ import annotations

from collections.abc import Iterator

from fillside.planning.figures import PlanningAnswer
from fillside.rig.checks.cautions import CLOSED_MODIFIERS, GAS_LAMPS, HOT_LAMPS, cautions_of
from fillside.rig.tables.model import Rig


class Checklists(PlanningAnswer):
    """Three lists of things to tick off."""

    before: tuple[str, ...]
    during: tuple[str, ...]
    after: tuple[str, ...]


def checklists(rig: Rig) -> Checklists:
    """Return the lists for the lamps, modifiers and roles of this rig."""
    return Checklists(before=tuple(_before(rig)), during=tuple(_during(rig)), after=tuple(_after(rig)))


def _kinds(rig: Rig) -> set[str]:
    return {head.lamp.kind for head in rig.heads if head.lamp is not None}


def _before(rig: Rig) -> Iterator[str]:
    rules = {head.rule for head in rig.heads}
    yield from (caution.tick for caution in cautions_of(rig) if caution.tick is not None)
    warm = "15 min" if _kinds(rig) & set(GAS_LAMPS) else "10 min"
    yield f"Lamps on for {warm} at about their working level"
    yield "Camera on manual: exposure, ISO, white balance, contrast aids off"
    yield "Each head alone, meter flat toward it at the mark: the table's reading, within a third of a stop"
    others = [rule for rule in ("hair", "background") if rule in rules]
    out = f", {' and '.join(others)} out" if others else ""
    yield f"All together{out}: the exposure reading"
    yield "Face on the monitor; glasses: nod, turn, look for lamps in the lenses"
    yield "Ten seconds of a plain wall: no bands, no pulsing"


def _during(rig: Rig) -> Iterator[str]:
    yield "Order freeze for a take, follow between takes"
    yield "Ratio and face looked at after every move of a lamp, a chair or the camera"
    closed = any(head.modifier.kind in CLOSED_MODIFIERS for head in rig.heads)
    if closed or _kinds(rig) & set(HOT_LAMPS):
        yield "Modifiers felt for heat every half hour; vents open; never left alone"
    yield "Stands and cables looked at whenever somebody has walked through"
    yield "Stop when anybody feels unwell"


def _after(rig: Rig) -> Iterator[str]:
    yield "Readings and levels noted; feet of the stands marked for next time"
    yield "Order dark, then off at the switch, then unplugged"
    cool = "20 min" if _kinds(rig) & set(HOT_LAMPS) else "10 min"
    yield f"Lamps left to cool for {cool} before they are touched or packed"
    if _kinds(rig) & set(GAS_LAMPS):
        yield "Gas-filled lamps counted: a broken one holds mercury, so air the room and follow local rules"
    yield "Highest and heaviest down first, sandbags off last"
