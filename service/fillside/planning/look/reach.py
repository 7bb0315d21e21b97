"""Which ratios and exposures a place allows, and which head's limit makes each corner of that region.

Key and fill each run on one common output between their floors and full light, so the region is the image
of a rectangle under the balance's own equations; all of it asks the same plane that the hold solves in.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from fillside.balance.limits import OutputLimits
from fillside.balance.rows import EXPOSURE, Metering, Rows
from fillside.balance.solver.path import role_path
from fillside.balance.solver.plane import Plane
from fillside.balance.target import BalanceTarget
from fillside.planning.answer import PlanningAnswer
from fillside.planning.look.constant_lines import Line, exposure_line, line_through, ratio_line

FloatArray = npt.NDArray[np.float64]

EDGE_STEPS = 12
"""Points drawn along each edge of the region, besides its bends."""
AT_END_SHARE = 1e-6

ASSUMES = (
    "the other roles at their planned levels, key and fill each at one common output; the bounds that the "
    "wish sets (most_over, most_under, most_lux) are not part of the region"
)


class Corner(PlanningAnswer):
    """One end of what can be had: ratio, exposure, and the heads whose limits end it there."""

    ratio: float | None
    ratio_stops: float | None
    exposure_lux: float
    exposure_stops: float | None
    full: tuple[str, ...]
    floor: tuple[str, ...]


class Span(PlanningAnswer):
    """From the least to the most of one quantity while the other is as wanted."""

    least: Corner
    most: Corner


class ReachAnswer(PlanningAnswer):
    """What a place allows.

    `corners` are key and fill at floor and full in all four ways; `outline` the region's edge as pairs of
    ratio in stops and exposure in stops against the target, closed; `ratios` at the wanted exposure and
    `exposures` at the wanted ratio, None where the wanted one cannot be had at all. Without a key or a fill
    there is no region and `corners` is empty.
    """

    target_ratio: float
    target_exposure_lux: float
    corners: tuple[Corner, ...]
    outline: tuple[tuple[float, float], ...]
    ratios: Span | None
    exposures: Span | None
    assumes: str = ASSUMES


def reach_answer(
    metering: Metering, rows: Rows, wish: BalanceTarget, limits: OutputLimits, outputs: FloatArray
) -> ReachAnswer:
    """The region at the place of `rows`; `outputs` (heads,) are the planned ones, for the other roles."""
    plane = _plane(metering, rows, wish, limits, outputs)
    if plane is None:
        return ReachAnswer(
            target_ratio=wish.ratio,
            target_exposure_lux=wish.exposure_lux,
            corners=(),
            outline=(),
            ratios=None,
            exposures=None,
        )
    region = _Region(metering, plane)
    least_key, most_key = plane.key.common[0], plane.key.common[-1]
    least_fill, most_fill = plane.fill.common[0], plane.fill.common[-1]
    corners = np.array(
        [[least_key, least_fill], [most_key, least_fill], [most_key, most_fill], [least_key, most_fill]]
    )
    return ReachAnswer(
        target_ratio=wish.ratio,
        target_exposure_lux=wish.exposure_lux,
        corners=region.corners(line_through(plane, corners[:, 0], corners[:, 1])),
        outline=region.outline(corners),
        ratios=region.span(exposure_line(plane), by_ratio=True),
        exposures=region.span(ratio_line(plane), by_ratio=False),
    )


def _plane(
    metering: Metering, rows: Rows, wish: BalanceTarget, limits: OutputLimits, outputs: FloatArray
) -> Plane | None:
    key = role_path(rows.matrix, np.flatnonzero(metering.is_key & limits.held), limits.least, limits.most)
    fill = role_path(rows.matrix, np.flatnonzero(metering.is_fill & limits.held), limits.least, limits.most)
    lit_key = bool((metering.is_key & (limits.most > 0)).any())
    lit_fill = bool((metering.is_fill & (limits.most > 0)).any())
    if not (lit_key and lit_fill):
        return None
    base = outputs.copy()
    base[key.heads] = base[fill.heads] = 0.0
    return Plane(key, fill, rows.lux(base), wish)


class _Region:
    """Corners, outline and spans of one plane, in the terms of the wish."""

    def __init__(self, metering: Metering, plane: Plane) -> None:
        self.names = metering.scene.names
        self.plane = plane

    def corners(self, line: Line) -> tuple[Corner, ...]:
        return tuple(self._corner(line, i) for i in range(len(line.key)))

    def _corner(self, line: Line, i: int) -> Corner:
        wish, plane = self.plane.target, self.plane
        bright, dark = (float(line.lux[side, i]) for side in plane.sides)
        exposure = float(line.lux[EXPOSURE, i])
        quotient = bright / dark if bright > 0 and dark > 0 else None
        full, floor = [], []
        for path, common in ((plane.key, float(line.key[i])), (plane.fill, float(line.fill[i]))):
            span = path.common[-1] - path.common[0]
            names = [self.names[head] for head in path.heads]
            if common >= path.common[-1] - AT_END_SHARE * span:
                full += names
            elif common <= path.common[0] + AT_END_SHARE * span:
                floor += names
        return Corner(
            ratio=None if quotient is None else wish.ratio_from_quotient(quotient),
            ratio_stops=None if quotient is None else math.log2(quotient),
            exposure_lux=exposure,
            exposure_stops=math.log2(exposure / wish.exposure_lux) if exposure > 0 else None,
            full=tuple(full),
            floor=tuple(floor),
        )

    def outline(self, corners: FloatArray) -> tuple[tuple[float, float], ...]:
        """The region's edge from corner to corner, in equal steps of log output."""
        edge = []
        for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            share = np.linspace(0, 1, EDGE_STEPS, endpoint=False)
            low, high = np.maximum(start, 1e-4), np.maximum(end, 1e-4)
            edge.append(np.clip(low * (high / low) ** share[:, np.newaxis], *_ends(start, end)))
        along = np.concatenate([*edge, corners[:1]])
        points = []
        for corner in self.corners(line_through(self.plane, along[:, 0], along[:, 1])):
            if corner.ratio_stops is not None and corner.exposure_stops is not None:
                points.append((corner.ratio_stops, corner.exposure_stops))
        return tuple(points)

    def span(self, line: Line | None, *, by_ratio: bool) -> Span | None:
        """The two ends of a line, the lower ratio or exposure first; None without a line."""
        if line is None:
            return None
        ends = [self._corner(line, 0), self._corner(line, len(line.key) - 1)]
        values = [end.ratio_stops if by_ratio else end.exposure_stops for end in ends]
        if values[0] is None or values[1] is None:
            return None
        least, most = ends if values[0] <= values[1] else ends[::-1]
        return Span(least=least, most=most)


def _ends(start: FloatArray, end: FloatArray) -> tuple[FloatArray, FloatArray]:
    return np.minimum(start, end), np.maximum(start, end)


class HeadMargin(PlanningAnswer):
    """How far a head may still go at its planned level: stops to full and to its floor, None without end.

    A head that cannot be dimmed has neither; one without a floor goes down to the least its wire can give.
    """

    head: str
    output: float
    to_full_stops: float | None
    to_floor_stops: float | None


def head_margins(names: tuple[str, ...], limits: OutputLimits, outputs: FloatArray) -> tuple[HeadMargin, ...]:
    """The margins of all heads at the outputs (heads,)."""
    margins = []
    for i, name in enumerate(names):
        held, output = bool(limits.held[i]) and outputs[i] > 0, float(outputs[i])
        least = float(limits.least[i])
        margins.append(
            HeadMargin(
                head=name,
                output=output,
                to_full_stops=math.log2(float(limits.most[i]) / output) if held else None,
                to_floor_stops=math.log2(output / least) if held and least > 0 else None,
            )
        )
    return tuple(margins)
