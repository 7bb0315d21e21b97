"""A plan in full: every figure, and the assumptions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from fillside.balance.report import Uncertainty
from fillside.cli.render.plan_rig import bullet_list, full_rig_lines
from fillside.planning.figures import Lengths
from fillside.planning.look.catchlight import CatchLight
from fillside.planning.look.glasses_remedies import GlassesAnswer, GlassesRemedy
from fillside.planning.look.mark import MarkPlan, StandPosition
from fillside.planning.look.reach import ReachCorner
from fillside.planning.look.wander import LargestErrors, WanderPlace
from fillside.planning.plan import PlanReport
from fillside.text import numbers, uncertainty

FAINTEST_STOPS = -8.0
"""Spill fainter than this against the exposure is left out."""
LOWEST_SHOWN_M, FAR_CLEAR_DEG = 0.3, 60.0


def full_plan_lines(report: PlanReport, lengths: Lengths, *, maps: bool = False) -> list[str]:
    """Format a whole plan; `maps` adds every mark's map in figures."""
    lines = [f"{report.rig}: plan for {len(report.marks)} mark{'s' if len(report.marks) > 1 else ''}"]
    for mark in report.marks:
        lines += ["", *_mark_lines(mark, lengths)]
        lines += map_lines(mark, lengths) if maps else []
    return [*lines, "", *full_rig_lines(report, lengths)]


def _mark_lines(mark: MarkPlan, lengths: Lengths) -> list[str]:
    lines = [f"{mark.mark} at {lengths.place(mark.point)}"]
    lines += indented([*_balance(mark), *_reach(mark)])
    lines += ["", *indented(_heads(mark, lengths))]
    lines += ["", *indented(_face(mark))]
    lines += bullet_list("softness", _softness(mark, lengths), "  ")
    lines += bullet_list("eyes", map(_catch_light, mark.catch_lights), "  ")
    reflections = (line for one in mark.glasses for line in glasses_lines(one, lengths))
    lines += bullet_list("glasses", reflections, "  ")
    lines += bullet_list("camera", (one.do for one in mark.lens if one.do is not None), "  ")
    lines += bullet_list("wall", wall_lines(mark, lengths), "  ")
    return lines + bullet_list("when the subject wanders", _wander(mark, lengths), "  ")


def map_lines(mark: MarkPlan, lengths: Lengths) -> list[str]:
    """Format a mark's map in figures; nothing where the plan has none."""
    return [] if mark.wander is None else ["", *indented(_map(mark, lengths))]


def indented(lines: Iterable[str]) -> list[str]:
    """Indent lines below their heading."""
    return [f"  {line}".rstrip() for line in lines]


def _balance(mark: MarkPlan) -> Iterator[str]:
    target, achieved, face = mark.balance.target, mark.balance.achieved, mark.balance.face
    intervals = mark.balance.uncertainty
    rows = [
        ["", "wanted", "is", "off by"],
        [
            "ratio",
            numbers.target_ratio(target.ratio),
            uncertainty.ratio(achieved.ratio, intervals.ratio_stops, achieved.ratio_stops),
            uncertainty.deviation(achieved.ratio_error_stops, intervals.ratio_stops),
        ],
        [
            "exposure",
            numbers.lux(target.exposure_lux),
            uncertainty.lux(achieved.exposure_lux, intervals.exposure_stops),
            uncertainty.deviation(achieved.exposure_error_stops, intervals.exposure_stops),
        ],
        ["face", "", uncertainty.ratio(face.ratio, intervals.face_stops), ""],
        ["in the picture", "", uncertainty.ratio(face.halves_ratio, intervals.face_stops), ""],
    ]
    yield from numbers.table(rows)
    yield from (f"limit: {limit.says}" for limit in mark.balance.limits)


def _reach(mark: MarkPlan) -> Iterator[str]:
    reach, intervals = mark.reach, mark.balance.uncertainty
    yield ""
    if not reach.corners:
        yield "no ratio to speak of: it takes a key and a fill"
        return
    wanted = numbers.lux(reach.target_exposure_lux)
    if reach.ratios is None:
        yield f"{wanted} cannot be had here at any ratio"
    else:
        least, most = (ratio_end(end, intervals) for end in (reach.ratios.least, reach.ratios.most))
        yield f"ratios at {wanted}: {least} up to {most}"
    wanted = numbers.target_ratio(reach.target_ratio)
    if reach.exposures is None:
        yield f"{wanted} cannot be had here at any exposure"
    else:
        least, most = (_exposure_end(end, intervals) for end in (reach.exposures.least, reach.exposures.most))
        yield f"exposures at {wanted}: {least} up to {most}"
    rows = [["corner", "ratio", "exposure", "against the target"]]
    for corner in reach.corners:
        against = uncertainty.rounded(corner.exposure_stops, intervals.exposure_stops)
        lux = uncertainty.lux(corner.exposure_lux, intervals.exposure_stops)
        rows.append(
            [limits_text(corner), uncertainty.ratio(corner.ratio, intervals.ratio_stops), lux, against]
        )
    yield from numbers.table(rows)


def limits_text(corner: ReachCorner) -> str:
    """Name the heads whose limits make a corner."""
    parts = [f"{', '.join(corner.full)} full" if corner.full else ""]
    parts.append(f"{', '.join(corner.floor)} at floor" if corner.floor else "")
    return "; ".join(filter(None, parts)) or "between its ends"


def ratio_end(corner: ReachCorner, intervals: Uncertainty) -> str:
    """Format the ratio at a corner, with the heads that limit it."""
    return f"{uncertainty.ratio(corner.ratio, intervals.ratio_stops)} ({limits_text(corner)})"


def _exposure_end(corner: ReachCorner, intervals: Uncertainty) -> str:
    lux = uncertainty.lux(corner.exposure_lux, intervals.exposure_stops)
    off = uncertainty.rounded(corner.exposure_stops, intervals.exposure_stops)
    return f"{lux}, {off} ({limits_text(corner)})"


def stand_cells(at: StandPosition, lengths: Lengths) -> tuple[str, str, str]:
    """Return the cells for a head's stand, its bearing and its elevation from the mark."""
    stands = f"{lengths.long(at.floor_m)} off, {lengths.long(at.height_m)} high"
    return stands, f"{abs(at.side_deg):.0f}° {'right' if at.side_deg >= 0 else 'left'}", f"{at.up_deg:.0f}°"


def _heads(mark: MarkPlan, lengths: Lengths) -> list[str]:
    softness = {one.head: one for one in mark.softness}
    margins = {one.head: one for one in mark.margins}
    standings = {one.head: one for one in mark.standings}
    titles = "head,stands,bearing,up,level,light,to full,to floor,looks,nose shadow,across face"
    rows = [titles.split(",")]
    for head in mark.balance.heads:
        at, margin, soft = standings[head.name], margins[head.name], softness.get(head.name)
        nose = None if soft is None or not soft.penumbras else soft.penumbras[0].width_mm / 1000
        rows.append(
            [
                head.name,
                *stand_cells(at, lengths),
                numbers.percent(head.level),
                uncertainty.lux_within(head.lux, head.uncertainty_stops),
                numbers.stops(margin.to_full_stops, sign=False),
                numbers.stops(margin.to_floor_stops, sign=False),
                numbers.NOTHING if soft is None else f"{soft.angular_diameter_deg:.0f}° wide",
                numbers.NOTHING if nose is None else f"{lengths.short(nose)} soft",
                numbers.NOTHING if soft is None else numbers.stops(soft.across_face_stops, sign=False),
            ]
        )
    return numbers.table(rows, right=(3, 4, 5, 6, 7, 8, 9, 10))


def _face(mark: MarkPlan) -> list[str]:
    face, within = mark.face, mark.balance.uncertainty
    rows = [["on the face", "light", "under the key-side cheek"]]
    for patch in face.patches:
        lux = uncertainty.lux(patch.lux, within.exposure_stops)
        rows.append([patch.part, lux, numbers.stops(patch.stops_under_cheek, sign=False)])
    lines = numbers.table(rows, right=(1,))
    lines.append("")
    reads = [["read as", "ratio", "how"]]
    reads += [[r.read_as, numbers.ratio(r.ratio, r.stops), r.how] for r in face.readings]
    return lines + numbers.table(reads)


def _softness(mark: MarkPlan, lengths: Lengths) -> Iterator[str]:
    for soft in mark.softness:
        if soft.equal is None:
            continue
        equal, step = soft.equal, lengths.long(soft.equal.step_m)
        yield (
            f"{soft.head}: as soft as a lit face of {lengths.long(equal.other_diameter_m)} at "
            f"{lengths.long(equal.other_distance_m)}; a step of {step} back costs "
            f"{numbers.stops(-equal.loses_stops, sign=False)} here and "
            f"{numbers.stops(-equal.other_loses_stops, sign=False)} there"
        )


def _catch_light(eye: CatchLight) -> str:
    if not eye.seen or eye.iris_percent is None:
        return f"{eye.head}: no catch-light: {catch_light_text(eye)}"
    return f"{eye.head}: {catch_light_text(eye)}, {eye.iris_percent:.0f} % of the iris's width"


def catch_light_text(eye: CatchLight) -> str:
    """Describe a catch-light's place in the eye and its size, or the reason for its absence."""
    if not eye.seen or eye.size_mm is None:
        return eye.hidden or "none"
    where = "middle of the iris" if eye.clock_hours is None else f"{_clock(eye.clock_hours)} o'clock"
    return f"{where}, {eye.size_mm:.1f} mm"


def _clock(hours: float) -> str:
    halves = round(hours * 2) or 24
    return f"{halves // 2 or 12}{' thirty' if halves % 2 else ''}".replace(" thirty", ":30")


def glasses_lines(one: GlassesAnswer, lengths: Lengths) -> Iterator[str]:
    """Describe a lamp's reflection in glasses, and its remedies."""
    if one.margin_deg >= one.wanted_margin_deg:
        low = one.lowest_height_m
        down = "" if low is None or low < LOWEST_SHOWN_M else f"; clear down to {lengths.long(low)}"
        far = one.margin_deg > FAR_CLEAR_DEG
        yield f"{one.source}: {'far' if far else f'{one.margin_deg:.0f}°'} off the lenses{down}"
        return
    state = (
        f"seen in the lens over {max(one.covered_percent, 1):.0f} % of it"
        if one.seen
        else f"only {one.margin_deg:.0f}° off the lenses"
    )
    cures = "; or ".join(_cure(cure, one, lengths) for cure in one.cures)
    yield f"{one.source}: {state}. " + (f"To clear it: {cures}" if cures else "Nothing tried clears it")


def _cure(cure: GlassesRemedy, one: GlassesAnswer, lengths: Lengths) -> str:
    if cure.way == "raise" and one.lowest_height_m is not None:
        return f"raise it to {lengths.long(one.lowest_height_m)}"
    if cure.way == "temples":
        lifted = lengths.short(cure.amount / 1000)
        return f"raise the temples {lifted} off the ears: the lenses tilt {cure.turned_deg:.0f}°"
    return cure.do


def wall_lines(mark: MarkPlan, lengths: Lengths) -> Iterator[str]:
    """Describe the light on the wall behind the subject."""
    wall = mark.wall
    if wall is None:
        return
    lux = uncertainty.lux(wall.lux, mark.balance.uncertainty.exposure_stops)
    shares = ", ".join(
        f"{name} {numbers.stops(own)}"
        for name, own in wall.by_head_stops.items()
        if own is not None and own > FAINTEST_STOPS
    )
    yield (
        f"behind the subject, at {lengths.place(wall.point)}: {lux}, "
        f"{numbers.stops(wall.stops)} against the exposure ({shares or 'no head reaches it'})"
    )


def _wander(mark: MarkPlan, lengths: Lengths) -> Iterator[str]:
    wander = mark.wander
    if wander is None:
        return
    radius, face_stops = f"within {lengths.long(wander.radius_m)}", mark.balance.uncertainty.face_stops
    yield f"levels left alone, {radius}: {_worst(wander.alone, face_stops)}"
    yield f"levels that follow, {radius}: {_worst(wander.followed, face_stops)}"


def _worst(worst: LargestErrors, within_stops: float | None) -> str:
    least, most = (uncertainty.ratio(one, within_stops) for one in (worst.face_least, worst.face_most))
    face = f"{least} to {most}"
    return (
        f"ratio off by {_up_to(worst.ratio_error_stops)}, exposure by {_up_to(worst.exposure_error_stops)}, "
        f"face {face}"
    )


def _up_to(error_stops: float | None) -> str:
    text = numbers.at_most(error_stops)
    return text if text.startswith("less") else f"up to {text}"


def _map(mark: MarkPlan, lengths: Lengths) -> Iterator[str]:
    wander = mark.wander
    if wander is None:
        return
    step = 2 * wander.radius_m / (wander.across - 1)
    yield f"levels left alone, every {lengths.long(step)}, the camera below"
    for title, figure in (
        ("ratio off, stops", _ratio_cell),
        ("exposure off, stops", _exposure_cell),
        ("face, to 1", _face_cell),
    ):
        yield ""
        yield title
        for first in range(len(wander.places) - wander.across, -1, -wander.across):
            row = wander.places[first : first + wander.across]
            yield " ".join(figure(place) for place in row)


def _ratio_cell(place: WanderPlace) -> str:
    return _cell(None if place.alone is None else place.alone.ratio_error_stops, "+.2f")


def _exposure_cell(place: WanderPlace) -> str:
    return _cell(None if place.alone is None else place.alone.exposure_error_stops, "+.2f")


def _face_cell(place: WanderPlace) -> str:
    return _cell(None if place.alone is None else place.alone.face_ratio, ".1f")


def _cell(value: float | None, form: str) -> str:
    return f"{numbers.NOTHING if value is None else format(round(value, 2) + 0.0, form):>6}"
