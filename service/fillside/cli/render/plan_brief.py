"""A plan in brief: the range of each mark, its setup, and the points to mind."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from fillside.balance.report import Uncertainty
from fillside.cli.render.plan_full import (
    catch_light_text,
    glasses_lines,
    indented,
    limits_text,
    map_lines,
    ratio_end,
    stand_cells,
    wall_lines,
)
from fillside.cli.render.plan_rig import brief_rig_lines, bullet_list, wrapped
from fillside.planning.figures import Lengths
from fillside.planning.look.mark import MarkPlan
from fillside.planning.look.reach import ReachCorner, ReachSpan
from fillside.planning.plan import PlanReport
from fillside.rig.notation import OUT
from fillside.text import numbers, uncertainty

MORE = "Every figure, and what was taken for granted, with --all."


def brief_plan_lines(report: PlanReport, lengths: Lengths, *, maps: bool = False) -> list[str]:
    """Format the main results of a plan; `maps` adds every mark's map in figures."""
    lines = [f"{report.rig}: plan for {len(report.marks)} mark{'s' if len(report.marks) > 1 else ''}"]
    for mark in report.marks:
        lines += ["", *_mark(mark, lengths)]
        lines += map_lines(mark, lengths) if maps else []
    return [*lines, *brief_rig_lines(report, lengths), "", MORE]


def _mark(mark: MarkPlan, lengths: Lengths) -> list[str]:
    lines = wrapped(f"{mark.mark}, at {lengths.place(mark.point)}: {_verdict(mark)}")
    lines += indented(numbers.table(list(_allowed(mark))))
    lines += ["", *indented(_heads(mark, lengths))]
    return lines + bullet_list("to mind", _to_mind(mark, lengths), "  ")


def _verdict(mark: MarkPlan) -> str:
    target, achieved, intervals = mark.balance.target, mark.balance.achieved, mark.balance.uncertainty
    wanted = f"{numbers.target_ratio(target.ratio)} at {numbers.lux(target.exposure_lux)}"
    if not mark.reach.corners:
        return "no ratio to hold: it takes a key and a fill"
    if mark.balance.worst_error_stops <= numbers.LEAST_ERROR_STOPS:
        return f"{wanted} can be held"
    lux = uncertainty.lux(achieved.exposure_lux, intervals.exposure_stops)
    nearest = uncertainty.ratio(achieved.ratio, intervals.ratio_stops)
    return f"{wanted} cannot be held, {nearest} at {lux} is nearest"


def _allowed(mark: MarkPlan) -> Iterator[list[str]]:
    """Yield the planned ratio, exposure, face and other roles, each with the range that the mark allows."""
    achieved, target, intervals = mark.balance.achieved, mark.balance.target, mark.balance.uncertainty
    reach = mark.reach
    wanted_lux, wanted_ratio = (
        numbers.lux(reach.target_exposure_lux),
        numbers.target_ratio(reach.target_ratio),
    )
    ratio = uncertainty.ratio(achieved.ratio, intervals.ratio_stops, achieved.ratio_stops)
    yield [
        "ratio",
        ratio,
        _range(reach.ratios, ratio_end, intervals, f"at {wanted_lux}") if reach.corners else "",
    ]
    within = intervals.exposure_stops
    exposure = f"{uncertainty.lux(achieved.exposure_lux, within)} {uncertainty.plus_minus(within)}"
    exposures = _range(reach.exposures, _exposure, intervals, f"at {wanted_ratio}") if reach.corners else ""
    yield ["exposure", exposure, exposures]
    deepest = next((one for one in mark.face.readings if one.read_as == "brightest:darkest"), None)
    face, skin = mark.balance.face.ratio, ""
    if deepest is not None:
        over_all = uncertainty.ratio(deepest.ratio, intervals.face_stops)
        skin = f"{over_all} over all: {deepest.how.split(':')[0]}"
    yield [
        "face",
        f"{uncertainty.ratio(face, intervals.face_stops)} {uncertainty.plus_minus(intervals.face_stops)}",
        skin,
    ]
    for role, wanted in target.relative.items():
        within = mark.balance.relative_uncertainty_stops.get(role)
        yield [
            role,
            uncertainty.stops(achieved.relative.get(role), within),
            f"wanted {OUT if wanted is None else numbers.stops(wanted)}",
        ]


def _range(
    span: ReachSpan | None, end: Callable[[ReachCorner, Uncertainty], str], intervals: Uncertainty, where: str
) -> str:
    if span is None:
        return f"none can be had {where}"
    return f"{where} from {end(span.least, intervals)} to {end(span.most, intervals)}"


def _exposure(corner: ReachCorner, intervals: Uncertainty) -> str:
    return f"{uncertainty.lux(corner.exposure_lux, intervals.exposure_stops)} ({limits_text(corner)})"


def _heads(mark: MarkPlan, lengths: Lengths) -> list[str]:
    """Format a table of heads: stand, level, margin to full, and their shadow and catch-light."""
    softness = {one.head: one for one in mark.softness}
    eyes = {one.head: catch_light_text(one) for one in mark.catch_lights}
    standings = {one.head: one for one in mark.standings}
    to_full = {one.head: one.to_full_stops for one in mark.margins}
    rows = [["head", "stands", "bearing", "up", "level", "light", "to full", "nose shadow", "catch-light"]]
    for head in mark.balance.heads:
        at, soft = standings[head.name], softness.get(head.name)
        nose = None if soft is None or not soft.penumbras else soft.penumbras[0].width_mm / 1000
        rows.append(
            [
                head.name,
                *stand_cells(at, lengths),
                numbers.percent(head.level),
                uncertainty.lux(head.lux, head.uncertainty_stops),
                _to_full(to_full[head.name]),
                numbers.NOTHING if nose is None else f"{lengths.short(nose)} soft",
                eyes.get(head.name, numbers.NOTHING),
            ]
        )
    return numbers.table(rows, right=(3, 4, 5, 6, 7))


def _to_full(to_full_stops: float | None) -> str:
    """Format the margin of a head to full."""
    if to_full_stops is not None and to_full_stops < numbers.LEAST_ERROR_STOPS:
        return "none"
    return numbers.stops(to_full_stops, sign=False, places=1)


def _to_mind(mark: MarkPlan, lengths: Lengths) -> Iterator[str]:
    yield from (limit.says for limit in mark.balance.limits)
    yield from _lens(mark)
    yield from _glasses(mark, lengths)
    yield from wall_lines(mark, lengths)
    if mark.wander is not None:
        alone, followed = mark.wander.alone, mark.wander.followed
        within = lengths.long(mark.wander.radius_m)
        yield (
            f"a step of {within} costs up to {numbers.at_most(alone.ratio_error_stops)} of ratio and "
            f"{numbers.at_most(alone.exposure_error_stops)} of exposure with the levels left alone; "
            "followed, "
            f"{numbers.at_most(max(followed.ratio_error_stops, followed.exposure_error_stops))} of either"
        )


def _lens(mark: MarkPlan) -> Iterator[str]:
    flares = {one.head: one for one in mark.lens if one.verdict == "may veil"}
    if flares:
        off = " and ".join(
            f"{name} ({one.outside_deg:.0f}° outside the frame)" for name, one in flares.items()
        )
        lamps = "the lamp" if len(flares) == 1 else "the lamps"
        yield f"flare: {off} can reach the lens; hood it, or flag {lamps} until its front glass is in shade"
    yield from (one.do for one in mark.lens if one.do is not None and one.head not in flares)


def _glasses(mark: MarkPlan, lengths: Lengths) -> Iterator[str]:
    clear = [one.source for one in mark.glasses if one.margin_deg >= one.wanted_margin_deg]
    for one in mark.glasses:
        if one.source not in clear:
            yield from (f"glasses: {line}" for line in glasses_lines(one, lengths))
    if clear:
        yield f"glasses: no reflection of {', '.join(clear)}"
