"""The text of the sheet: the table of heads, the balance, and the findings of planning."""

from __future__ import annotations

from collections.abc import Iterator

from fillside.planning.answers.lamps import KIND_WORDS
from fillside.planning.figures import Lengths, f_stop_text
from fillside.planning.look.mark import MarkPlan
from fillside.planning.plan import PlanReport
from fillside.planning.safety.checklists import checklists
from fillside.rig.tables.model import Head, Rig
from fillside.sheet.drawing.text_columns import Section
from fillside.sheet.views import HeadDrawing, SetViews
from fillside.text import numbers, uncertainty

FLAT_CONSTANT = 250.0
"""The C of ISO 2720 of most flat receptors, used for the readings of heads alone."""

HEADINGS = (
    "",
    "head",
    "lamp",
    "lit face",
    "distance",
    "height",
    "bearing",
    "up",
    "tilt",
    "level",
    "stops",
    "light",
    "meter alone",
)
RIGHT, WRAPS = range(4, 13), (1, 2, 3)

HOW_TO_READ = (
    "Distance: along the floor, from below the subject's eyes to below the middle of the lit face. Height: "
    "of that middle above the floor.",
    "Bearing: from the camera's line, to its right (R) or left (L). Up: from the eyes to the lit face. Tilt: "
    "how far the head points down.",
    "Level: on the wire. Stops: under full light. Light: at the subject, from the head alone.",
    "Meter alone: what a flat receptor toward the head shows with all others out, C = 250, at the camera's "
    "ISO and shutter.",
    "From the side every stand is turned into the page about the subject, so that its measures are true.",
    "Letters are those of the table. Red lines are measures; chain lines show where heads point, dashed ones "
    "what the camera takes in. A measure for which the drawing has no room stands in the table.",
)
CERTAINTY = (
    "±: the true value lies within it 95 times in 100, from labels and tape where nothing was metered. Take "
    "one reading of each head alone before you trust it."
)


def head_rows(rig: Rig, mark: MarkPlan, views: SetViews, lengths: Lengths) -> list[list[str]]:
    """Return the table of heads with its headings."""
    return [list(HEADINGS), *(_row(rig, mark, drawn, lengths) for drawn in views.heads)]


def _row(rig: Rig, mark: MarkPlan, drawn: HeadDrawing, lengths: Lengths) -> list[str]:
    name = drawn.head.name
    reported = next(head for head in mark.balance.heads if head.name == name)
    position = next(one for one in mark.standings if one.head == name)
    full = next(one for one in mark.margins if one.head == name).to_full_stops
    return [
        drawn.letter,
        name if name == drawn.head.role else f"{name} ({drawn.head.role})",
        _lamp(drawn.head),
        _lit_face(drawn.head, lengths),
        lengths.long(position.floor_m),
        lengths.long(position.height_m),
        f"{abs(position.side_deg):.0f}° {'R' if position.side_deg >= 0 else 'L'}",
        f"{position.up_deg:.0f}°",
        f"{position.tilt_deg:.0f}°",
        numbers.percent(reported.level),
        numbers.NOTHING if full is None else f"{round(-full, 1) + 0.0:+.1f}",
        uncertainty.lux(reported.lux, reported.uncertainty_stops),
        _reading(rig, reported.lux),
    ]


def _lamp(head: Head) -> str:
    """Return the lamp of a head in words, with its power if the file states it."""
    if head.lamp is None:
        return numbers.NOTHING
    kind = KIND_WORDS.get(head.lamp.kind, "lamp")
    count = f"{head.lamp.count} × " if head.lamp.count > 1 else ""
    return f"{count}{kind}" if head.lamp.watts is None else f"{count}{kind} {head.lamp.watts:g} W"


def _lit_face(head: Head, lengths: Lengths) -> str:
    size = head.modifier.diameter
    return head.modifier.kind if size == 0 else f"{head.modifier.kind} {lengths.long(size)}"


def _reading(rig: Rig, lux: float) -> str:
    camera = rig.camera
    if camera.iso is None or camera.exposure_time_s is None:
        return numbers.NOTHING
    return f_stop_text(lux, FLAT_CONSTANT, camera.iso, camera.exposure_time_s) or numbers.NOTHING


def aim_lines(rig: Rig, mark: MarkPlan, views: SetViews, lengths: Lengths) -> Iterator[str]:
    """Yield the aims of heads that do not point at the subject."""
    origin = f"(right, away from the camera and up, from the floor under {next(iter(rig.marks))})"
    for drawn in views.heads:
        aim = rig.aim_of(drawn.head)
        if aim == mark.point:
            continue
        named = [name for name, point in rig.marks.items() if point == aim]
        yield f"{drawn.letter} points at " + (
            f"the mark {named[0]}" if named else f"{lengths.place(aim)} {origin}"
        )


def balance_lines(rig: Rig, mark: MarkPlan) -> Iterator[str]:
    """Yield the target and the balance that the levels of the table give."""
    target, achieved, face = mark.balance.target, mark.balance.achieved, mark.balance.face
    known, others = mark.balance.uncertainty, mark.balance.relative_uncertainty_stops
    achieved_text = uncertainty.ratio(achieved.ratio, known.ratio_stops, achieved.ratio_stops)
    yield f"Ratio {numbers.ratio(target.ratio)} wanted, {achieved_text} held, read as {rig.balance.read_as}"
    bright, dark = (
        uncertainty.lux(side, known.exposure_stops) for side in (face.key_side_lux, face.fill_side_lux)
    )
    yield (
        f"Face {uncertainty.ratio(face.ratio, known.face_stops)}: {bright} on the key's cheek, "
        f"{dark} on the other"
    )
    yield (
        f"Exposure {numbers.lux(target.exposure_lux)} wanted, "
        f"{uncertainty.lux(achieved.exposure_lux, known.exposure_stops)} held: "
        f"{rig.meter.receptor} receptor toward the {rig.meter.facing}, key and fill only"
    )
    rules = {head.role: head.rule for head in rig.heads}
    for role, wanted in target.relative.items():
        against = rig.balance.against.get(role, "exposure" if rules[role] == "background" else "key")
        achieved_text = uncertainty.stops(achieved.relative.get(role), others.get(role))
        if wanted is None:
            yield f"{role}: out; {achieved_text} against the {against} by the other heads and the room"
        else:
            yield f"{role}: {numbers.stops(wanted)} against the {against} wanted, {achieved_text} held"
    yield from (limit.says for limit in mark.balance.limits)


def finding_lines(report: PlanReport, mark: MarkPlan) -> Iterator[str]:
    """Yield the findings of planning that call for action."""
    yield from (one.do for one in mark.lens if one.do is not None)
    for glasses in mark.glasses:
        if glasses.margin_deg < glasses.wanted_margin_deg:
            cure = f": {glasses.cures[0].do}" if glasses.cures else ""
            yield f"{glasses.source} shows in the glasses{cure}"
    yield from (one.do for one in report.colour if one.do is not None)
    for flicker in report.flicker:
        if flicker.visible and flicker.known:
            by = numbers.stops(flicker.variation_stops, sign=False)
            yield f"{flicker.head} flickers at this shutter by {by}"
    for circuit in report.power.circuits:
        if circuit.over:
            load, most = f"{circuit.load_watts:.0f} W", f"{circuit.most_watts:.0f} W"
            yield f"circuit {circuit.circuit} carries {load}; for hours at most {most}"
    dark = [eye.head for eye in mark.catch_lights if eye.hidden == "hidden by the brow"]
    if dark:
        yield f"the brow hides {', '.join(dark)} from the eyes"


def reference_sections(rig: Rig, report: PlanReport, mark: MarkPlan) -> list[Section]:
    """Return the text to read before and after building the set, much the same for every rig."""
    lists = checklists(rig)
    return [
        Section("To mind", tuple(report.cautions)),
        Section("Camera", tuple(report.camera)),
        Section("Before", tuple(lists.before), "box"),
        Section("During", tuple(lists.during), "box"),
        Section("After", tuple(lists.after), "box"),
        Section("How to read page 1", HOW_TO_READ, ""),
        Section("Taken for granted", tuple(_assumed(report, mark)), ""),
    ]


def _assumed(report: PlanReport, mark: MarkPlan) -> Iterator[str]:
    """Yield the assumptions behind the numbers on the first page."""
    yield CERTAINTY
    yield f"Face: {mark.face.assumes}."
    if any(one.do is not None for one in mark.lens):
        yield f"Lens: {mark.lens[0].assumes}."
    if mark.glasses:
        yield f"Glasses: {mark.glasses[0].assumes}."
    if any(one.do is not None for one in report.colour):
        yield f"Colour: {report.colour_assumes}."
    yield from (f"Flicker: {text}." for text in dict.fromkeys(one.assumes for one in report.flicker))
    if report.power.circuits:
        yield f"Power: {report.power.assumes}."
