"""The findings of `fillside check` as lines of text."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from textwrap import wrap

from fillside.planning.figures import Lengths
from fillside.planning.look.colour import heads_beside_key, stated_ccts_k
from fillside.rig.checks.report import HeadSummary, RigReport, check_rig
from fillside.rig.checks.warnings import RigWarning
from fillside.rig.notation import ROOM_LIGHT_NOT_KNOWN
from fillside.rig.tables.model import Rig
from fillside.text import numbers

WIDTH = 96


def check_report(rig: Rig) -> RigReport:
    """Check a rig, including the colours of its lamps."""
    found = check_rig(rig)
    ccts = stated_ccts_k(rig)
    colours = tuple(
        RigWarning(
            key=f"heads.{one.source}.lamp.cct",
            says=f"{one.cct_k:.0f} K beside {one.against} of {ccts[one.against]:.0f} K; "
            + one.do.removeprefix(f"{one.source}: "),
        )
        for one in heads_beside_key(rig)
        if one.do is not None
    )
    return found.model_copy(update={"warnings": (*found.warnings, *colours)})


def check_lines(found: RigReport, lengths: Lengths) -> list[str]:
    """Format the rig as understood, then the warnings and cautions."""
    lines = [f"{found.rig}: the rig file is right", ""]
    lines += numbers.table(list(_targets(found, lengths)))
    lines += [
        "",
        *numbers.table([_HEADINGS, *(_head(head, lengths) for head in found.heads)], right=(2, 3, 4)),
    ]
    lines += _listed("warnings", (f"{warned.key}: {warned.says}" for warned in found.warnings))
    lines += _listed("at the camera", found.camera)
    lines += _listed("cautions", found.cautions)
    return lines


def _targets(found: RigReport, lengths: Lengths) -> Iterator[list[str]]:
    yield [
        "ratio",
        f"{numbers.target_ratio(found.ratio)} ({numbers.stops(found.ratio_stops)}), read as {found.read_as}",
    ]
    yield ["exposure", numbers.lux(found.exposure_target_lux)]
    yield ["subject", f"{lengths.place(found.subject)}, looks at {found.looks}"]
    yield ["marks", "; ".join(f"{name} {lengths.place(place)}" for name, place in found.marks.items())]
    if found.room is not None:
        sides = " × ".join(lengths.long(side) for side in found.room.size)
        back = numbers.percent(found.room.sends_back)
        yield ["room", f"{sides}, {found.room.tone}: its surfaces send back {back} of the light"]
    if any(found.ambient_lux):
        key, fill, camera = (f"{lux:.3g} lx" for lux in found.ambient_lux)
        yield ["ambient", f"{key} toward key, {fill} toward fill, {camera} toward camera"]
    if found.room_light == "not known":
        yield ["room's light", ROOM_LIGHT_NOT_KNOWN.removeprefix("the room's light is ")]
    yield ["drivers", ", ".join(f"{name} ({kind})" for name, kind in found.drivers.items()) or "none"]
    if found.doors:
        yield ["doors", "; ".join(f"{name}: {says}" for name, says in found.doors.items())]


_HEADINGS = ["head", "role", "distance", "to the side", "up", "at full", "dimming", "wire"]


def _head(head: HeadSummary, lengths: Lengths) -> list[str]:
    bearing = f"{abs(head.side_deg):.0f}° {'right' if head.side_deg >= 0 else 'left'}"
    steps = f"{head.driver}, {head.full_scale + 1} steps" if head.driver else "none: cannot be dimmed"
    return [
        head.name,
        head.role,
        lengths.long(head.distance_m),
        bearing,
        f"{head.up_deg:.0f}°",
        f"{head.intensity_cd:.0f} cd ({head.intensity_from})",
        head.curve + (f", floor {numbers.percent(head.floor)}" if head.floor else ""),
        steps,
    ]


def _listed(heading: str, texts: Iterable[str]) -> list[str]:
    items = [wrap(text, WIDTH, initial_indent="- ", subsequent_indent="  ") for text in texts]
    return ["", f"{heading}:", *(line for item in items for line in item)] if items else []
