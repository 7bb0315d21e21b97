"""Outputs that hold a wanted ratio and exposure, or the nearest that the lamps can do.

With key at common output a and fill at b, lit side L, shadow side S, exposure X and the face's two sides
are piecewise linear in a and b. Keeping the ratio is the line g = L - q S = 0, keeping the exposure the line
X = target; both are monotone, so an answer is found by walking edges of the region of legal outputs:

  protect ratio     from everything at its least, raise whichever role brings the ratio nearer until g = 0 or
                    a bound; then along g = 0 until the exposure is met or a bound.
  protect exposure  along X = target to the ratio nearest the wanted one.

Bounds are the heads' limits, the exposure that keeping the ratio may cost, and the most light on the face.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fillside.balance.limits import Limits
from fillside.balance.path import along, first_above_zero, first_zero, role_path
from fillside.balance.plane import KEPT, Line, Plane
from fillside.balance.relative import following_heads, hold_relative_roles, with_followers
from fillside.balance.rows import EXPOSURE, FACE_FILL, FACE_KEY, Metering, Rows
from fillside.balance.search import search
from fillside.balance.wish import Wish

FloatArray = npt.NDArray[np.float64]

AGREED_OUTPUT = 1e-12
ROUNDS = 40
"""How often a background head's spill on the face is worked in; it shrinks by its share each time."""


@dataclass(frozen=True)
class Solved:
    """Outputs (heads,) before rounding, and the bounds met beside the heads' own limits.

    `bounds` may hold "most_over" (the exposure that keeping the ratio may cost) and "most_lux".
    """

    outputs: FloatArray
    bounds: tuple[str, ...]


def solve(metering: Metering, rows: Rows, wish: Wish, limits: Limits) -> Solved:
    """The outputs nearest to the wish under its policy; never an exception for legal rows, never NaN."""
    key = role_path(rows.matrix, np.flatnonzero(metering.is_key & limits.held), limits.least, limits.most)
    fill = role_path(rows.matrix, np.flatnonzero(metering.is_fill & limits.held), limits.least, limits.most)
    followers = following_heads(metering, wish, limits)
    key = with_followers(metering, rows, wish, limits, key)
    alone = not (_gives(metering.is_key, limits) and _gives(metering.is_fill, limits))
    outputs = limits.least.copy()
    couples = wish.read_as == "face" or wish.most_lux is not None
    bounds: tuple[str, ...] = ()
    for _ in range(ROUNDS if couples else 1):
        before = outputs.copy()
        base = outputs.copy()
        base[key.heads] = base[fill.heads] = base[followers] = 0.0
        plane = Plane(key, fill, rows.lux(base), wish)
        a, b, bounds = _hold_exposure_alone(plane) if alone else _answer(plane)
        outputs[key.heads], outputs[fill.heads] = key.outputs_at(a), fill.outputs_at(b)
        hold_relative_roles(metering, rows, wish, limits, outputs)
        if float(np.abs(outputs - before).max(initial=0.0)) < AGREED_OUTPUT:
            break
    _spare_the_face(metering, rows, wish, limits, outputs)
    return Solved(outputs, bounds)


def _spare_the_face(metering: Metering, rows: Rows, wish: Wish, limits: Limits, outputs: FloatArray) -> None:
    """Take the other roles down, in place, where key and fill at their least leave the face too bright."""
    lux = rows.lux(outputs)
    if wish.most_lux is not None and max(lux[FACE_KEY], lux[FACE_FILL]) > wish.most_lux * (1 + KEPT):
        others = limits.held & ~(metering.is_key | metering.is_fill)
        outputs[others] = limits.least[others]


def _gives(of_role: npt.NDArray[np.bool_], limits: Limits) -> bool:
    """Whether a role gives light at all: some head of it is held or burns fixed."""
    return bool((of_role & (limits.most > 0)).any())


Answer = tuple[float, float, tuple[str, ...]]


def _answer(plane: Plane) -> Answer:
    return _protect_ratio(plane) if plane.wish.protect == "ratio" else _protect_exposure(plane)


def _walk(
    plane: Plane, line: Line, stop: FloatArray, exposure_cap: float
) -> tuple[float, tuple[str, ...], bool]:
    """From a line's start to where `stop` is zero, a bound is overstepped, or the line ends.

    Returns the position, the names of bounds met, and whether `stop` was met.
    """
    end = len(stop) - 1.0
    bounds: tuple[str, ...] = ()
    for name, values in plane.overstepped(line, exposure_cap).items():
        for value in values:
            at = first_above_zero(value)
            if at is not None and at < end:
                end, bounds = at, (name,)
    met = first_zero(stop)
    if met is not None and met <= end:
        return met, (), True
    return end, bounds, False


def _at(line: Line, position: float) -> tuple[float, float]:
    return along(line.key, position), along(line.fill, position)


def _protect_ratio(plane: Plane) -> Answer:
    exposure_cap = plane.wish.exposure_lux * math.exp2(plane.wish.most_over)
    edge = plane.raising_key()
    start = float(plane.balance(edge)[0])
    if start > 0:
        edge = plane.raising_fill()
    position, bounds, met = _walk(plane, edge, plane.balance(edge), exposure_cap)
    if not met:
        return (*_nearest_on_edge(plane, edge, position), bounds)
    ratio_line = plane.ratio_line()
    if ratio_line is None:
        return (*search(plane, exposure_cap), ())
    wanted = ratio_line.lux[EXPOSURE] - plane.wish.exposure_lux
    if wanted[0] >= 0:
        return (*_at(ratio_line, 0.0), ())
    position, bounds, _ = _walk(plane, ratio_line, wanted, exposure_cap)
    return (*_at(ratio_line, position), bounds)


def _nearest_on_edge(plane: Plane, edge: Line, end: float) -> tuple[float, float]:
    """The point with the least ratio error on an edge up to `end`; the edge need not bring it nearer."""
    whole = int(end) + 1
    key = np.append(edge.key[:whole], along(edge.key, end))
    fill = np.append(edge.fill[:whole], along(edge.fill, end))
    best = int(np.argmin(plane.ratio_error(plane.line(key, fill))))
    return float(key[best]), float(fill[best])


def _protect_exposure(plane: Plane) -> Answer:
    low = plane.line(plane.key.common[:1], plane.fill.common[:1])
    high = plane.line(plane.key.common[-1:], plane.fill.common[-1:])
    target = plane.wish.exposure_lux
    if low.lux[EXPOSURE, 0] >= target or not plane.keeps_bounds(low)[0]:
        return (*_at(low, 0.0), ())
    if high.lux[EXPOSURE, 0] <= target and plane.keeps_bounds(high)[0]:
        return (*_at(high, 0.0), ())
    at_target = _best_ratio_at(plane, target)
    if at_target is not None:
        return (*at_target, ())
    return (*_most_exposure(plane, float(low.lux[EXPOSURE, 0]), target), ("most_lux",))


def _most_exposure(plane: Plane, low: float, high: float) -> tuple[float, float]:
    """The outputs with the most exposure that `most_lux` allows, by halving between two exposures [lux]."""
    best = (float(plane.key.common[0]), float(plane.fill.common[0]))
    for _ in range(ROUNDS):
        middle = (low + high) / 2
        found = _best_ratio_at(plane, middle)
        if found is None:
            high = middle
        else:
            low, best = middle, found
    return best


def _best_ratio_at(plane: Plane, exposure_lux: float) -> tuple[float, float] | None:
    """The outputs of that exposure whose ratio is nearest the wish; None where the bounds allow none."""
    key, fill = plane.key.lux[EXPOSURE], plane.fill.lux[EXPOSURE]
    line = plane.level_line(key, fill, exposure_lux - float(plane.base[EXPOSURE]))
    if line is None:
        return None
    positions = np.arange(len(line.key), dtype=float)
    cuts = [first_zero(plane.balance(line))]
    for value in plane.overstepped(line, math.inf).get("most_lux", ()):
        cuts += _zeros(value)
    positions = np.append(positions, [cut for cut in cuts if cut is not None])
    index = np.arange(len(line.key))
    points = plane.line(np.interp(positions, index, line.key), np.interp(positions, index, line.fill))
    error = np.where(plane.keeps_bounds(points), plane.ratio_error(points), math.inf)
    best = int(np.argmin(error))
    return None if math.isinf(error[best]) else (float(points.key[best]), float(points.fill[best]))


def _zeros(values: FloatArray) -> list[float | None]:
    """Every position at which a polyline crosses zero."""
    at = np.flatnonzero(np.sign(values[:-1]) * np.sign(values[1:]) < 0)
    return [float(i + values[i] / (values[i] - values[i + 1])) for i in at]


def _hold_exposure_alone(plane: Plane) -> Answer:
    """Without key or without fill there is no ratio: the exposure is held by what is left."""
    edge = plane.raising_key() if len(plane.key.common) > 1 else plane.raising_fill()
    wanted = edge.lux[EXPOSURE] - plane.wish.exposure_lux
    if wanted[0] >= 0:
        return (*_at(edge, 0.0), ())
    position, bounds, _ = _walk(plane, edge, wanted, math.inf)
    return (*_at(edge, position), bounds)
