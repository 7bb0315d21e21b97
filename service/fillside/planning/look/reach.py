"""The ratios and exposures that a place allows, and the limits that make each corner of that region.

Key and fill each run on one common output between their floors and full light, so the region is the image of
a rectangle under the balance's own equations; all of it uses the plane in which the hold solves. Lines of
constant ratio or exposure are polylines given at their bends, so that every quantity is exactly linear
between two points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fillside.balance.limits import OutputLimits
from fillside.balance.rows import EXPOSURE, Metering, Rows, compared_sides
from fillside.balance.solver.plane import Plane
from fillside.balance.solver.role_path import rising, role_path
from fillside.balance.target import BalanceTarget
from fillside.planning.figures import PlanningAnswer

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class OutputLine:
    """A polyline through the plane: common outputs (n,) of key and fill, and rows (rows, n) [lux]."""

    key: FloatArray
    fill: FloatArray
    lux: FloatArray


def line_through(plane: Plane, key: FloatArray, fill: FloatArray) -> OutputLine:
    """Return the line through given common outputs of key and fill."""
    return OutputLine(key, fill, plane.lux_at(key, fill))


def constant_exposure_line(plane: Plane) -> OutputLine | None:
    """Return the line of the target exposure, from most fill to most key.

    The result is None if no legal outputs reach it.
    """
    wanted = plane.exposure_lux - float(plane.base[EXPOSURE])
    by_key, by_fill = rising(plane.key.lux[EXPOSURE]), rising(plane.fill.lux[EXPOSURE])
    return _matching(plane, by_key, wanted - by_fill[::-1], plane.fill.common[::-1])


def constant_ratio_line(plane: Plane, target: BalanceTarget) -> OutputLine | None:
    """Return the line of the target ratio, from the least light to the most.

    The result is None if the line does not rise or does not exist.
    """
    bright, dark = compared_sides(target.read_as)
    by_key, by_fill, base = (
        lux[bright] - target.quotient * lux[dark] for lux in (plane.key.lux, plane.fill.lux, plane.base)
    )
    sign = 1.0 if by_key[-1] >= by_key[0] else -1.0
    by_key, by_fill = sign * by_key, sign * by_fill
    if (by_key[1:] < by_key[:-1]).any() or (by_fill[1:] > by_fill[:-1]).any():
        return None
    return _matching(plane, rising(by_key), rising(-by_fill - sign * base), plane.fill.common)


def _matching(
    plane: Plane, rising_key: FloatArray, rising_fill: FloatArray, fill: FloatArray
) -> OutputLine | None:
    """Return the line where two rising functions, given at the bends of key and fill, are equal."""
    low, high = max(rising_key[0], rising_fill[0]), min(rising_key[-1], rising_fill[-1])
    if low > high:
        return None
    values = np.concatenate((rising_key, rising_fill, (low, high)))
    values = values[(values >= low) & (values <= high)]
    values.sort()
    key, fill = np.interp(values, rising_key, plane.key.common), np.interp(values, rising_fill, fill)
    return line_through(plane, key, fill)


EDGE_STEPS = 12
"""Points drawn along each edge of the region, besides its bends."""
AT_END_SHARE = 1e-6

ASSUMES = (
    "the other roles at their planned levels, key and fill each at one common output; the bounds that the "
    "wish sets (most_over, most_under, most_lux) are not part of the region"
)


class ReachCorner(PlanningAnswer):
    """One end of the reachable region: ratio, exposure, and the heads whose limits end it there."""

    ratio: float | None
    ratio_stops: float | None
    exposure_lux: float
    exposure_stops: float | None
    full: tuple[str, ...]
    floor: tuple[str, ...]


class ReachSpan(PlanningAnswer):
    """The least and the most of one quantity while the other is on target."""

    least: ReachCorner
    most: ReachCorner


class ReachAnswer(PlanningAnswer):
    """The region of ratios and exposures that a place allows.

    `corners` are key and fill at floor and full in all four combinations. `outline` is the region's closed
    edge as pairs of ratio [stops] and exposure against the target [stops]. `ratios` is the span at the target
    exposure and `exposures` the span at the target ratio, None if that target is out of reach. Without a key
    or a fill there is no region and `corners` is empty.
    """

    target_ratio: float
    target_exposure_lux: float
    corners: tuple[ReachCorner, ...]
    outline: tuple[tuple[float, float], ...]
    ratios: ReachSpan | None
    exposures: ReachSpan | None
    assumes: str = ASSUMES


def reach_answer(
    metering: Metering, rows: Rows, target: BalanceTarget, limits: OutputLimits, outputs: FloatArray
) -> ReachAnswer:
    """Return the region at the place of `rows`; `outputs` (heads,) 0..1 set the other roles."""
    plane = _plane(metering, rows, target, limits, outputs)
    if plane is None:
        return ReachAnswer(
            target_ratio=target.ratio,
            target_exposure_lux=target.exposure_lux,
            corners=(),
            outline=(),
            ratios=None,
            exposures=None,
        )
    region = _Region(metering, plane, target)
    least_key, most_key = plane.key.common[0], plane.key.common[-1]
    least_fill, most_fill = plane.fill.common[0], plane.fill.common[-1]
    corners = np.array(
        [[least_key, least_fill], [most_key, least_fill], [most_key, most_fill], [least_key, most_fill]]
    )
    return ReachAnswer(
        target_ratio=target.ratio,
        target_exposure_lux=target.exposure_lux,
        corners=region.corners(line_through(plane, corners[:, 0], corners[:, 1])),
        outline=region.outline(corners),
        ratios=region.span(constant_exposure_line(plane), by_ratio=True),
        exposures=region.span(constant_ratio_line(plane, target), by_ratio=False),
    )


def _plane(
    metering: Metering, rows: Rows, target: BalanceTarget, limits: OutputLimits, outputs: FloatArray
) -> Plane | None:
    key = role_path(rows.matrix, np.flatnonzero(metering.is_key & limits.held), limits.least, limits.most)
    fill = role_path(rows.matrix, np.flatnonzero(metering.is_fill & limits.held), limits.least, limits.most)
    lit_key = bool((metering.is_key & (limits.most > 0)).any())
    lit_fill = bool((metering.is_fill & (limits.most > 0)).any())
    if not (lit_key and lit_fill):
        return None
    base = outputs.copy()
    base[key.heads] = base[fill.heads] = 0.0
    return Plane(key, fill, rows.lux(base), target.exposure_lux, target.most_lux)


class _Region:
    """Corners, outline and spans of one plane, in the terms of the target."""

    def __init__(self, metering: Metering, plane: Plane, target: BalanceTarget) -> None:
        self.names = metering.scene.names
        self.plane, self.target = plane, target

    def corners(self, line: OutputLine) -> tuple[ReachCorner, ...]:
        return tuple(self._corner(line, i) for i in range(len(line.key)))

    def _corner(self, line: OutputLine, i: int) -> ReachCorner:
        target, plane = self.target, self.plane
        bright, dark = (float(line.lux[side, i]) for side in compared_sides(target.read_as))
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
        return ReachCorner(
            ratio=None if quotient is None else target.ratio_from_quotient(quotient),
            ratio_stops=None if quotient is None else math.log2(quotient),
            exposure_lux=exposure,
            exposure_stops=math.log2(exposure / target.exposure_lux) if exposure > 0 else None,
            full=tuple(full),
            floor=tuple(floor),
        )

    def outline(self, corners: FloatArray) -> tuple[tuple[float, float], ...]:
        """Return the region's edge from corner to corner, in equal steps of log output."""
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

    def span(self, line: OutputLine | None, *, by_ratio: bool) -> ReachSpan | None:
        """Return the two ends of a line, the lower ratio or exposure first; None without a line."""
        if line is None:
            return None
        ends = [self._corner(line, 0), self._corner(line, len(line.key) - 1)]
        values = [end.ratio_stops if by_ratio else end.exposure_stops for end in ends]
        if values[0] is None or values[1] is None:
            return None
        least, most = ends if values[0] <= values[1] else ends[::-1]
        return ReachSpan(least=least, most=most)


def _ends(start: FloatArray, end: FloatArray) -> tuple[FloatArray, FloatArray]:
    return np.minimum(start, end), np.maximum(start, end)


class HeadMargin(PlanningAnswer):
    """The margin of a head at its planned level: stops to full and to its floor, None without a limit.

    A head that cannot be dimmed has neither; a head without a floor goes down to its smallest lit wire code.
    """

    head: str
    output: float
    to_full_stops: float | None
    to_floor_stops: float | None


def head_margins(names: tuple[str, ...], limits: OutputLimits, outputs: FloatArray) -> tuple[HeadMargin, ...]:
    """Return the margins of all heads at the outputs (heads,) 0..1."""
    margins = []
    for i, name in enumerate(names):
        dimmed, output = bool(limits.held[i]) and outputs[i] > 0, float(outputs[i])
        least = float(limits.least[i])
        margins.append(
            HeadMargin(
                head=name,
                output=output,
                to_full_stops=math.log2(float(limits.most[i]) / output) if dimmed else None,
                to_floor_stops=math.log2(output / least) if dimmed and least > 0 else None,
            )
        )
    return tuple(margins)
