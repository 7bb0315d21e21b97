"""Sources inside the picture, or close enough to it to cause veiling flare."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import numpy.typing as npt

from fillside.photometry.source import LightSources, receptor_lux
from fillside.planning.figures import PlanningAnswer, degrees_text
from fillside.planning.look.pose import UP, level_right, unit
from fillside.rig.tables.plan import View

FloatArray = npt.NDArray[np.float64]

UNKNOWN_VIEW_DEG = 40.0
"""Default angle across the frame: head and shoulders at a few metres."""
VEILS_SHARE = 0.05
"""Smallest light on the front glass from outside the picture that is reported, relative to the exposure's
(common practice, no source).
"""
RIM = 72

Verdict = Literal["in the picture", "its back is in the picture", "may veil", "clear"]


class LensAnswer(PlanningAnswer):
    """One head against the camera's view.

    `outside_deg` is the angle between the frame and the head's nearest edge, below 0 inside. `glass_lux` is
    the light of the head on the front of the lens, at the planned level.
    """

    head: str
    verdict: Verdict
    outside_deg: float
    glass_lux: float
    do: str | None
    assumes: str


def view_degrees(view: View | None) -> tuple[float, float]:
    """Return the angles of view across and up the frame, in degrees: 2 atan(w / 2 f), focused at infinity.

    Plane geometry, as in tables of angles of view: 50 mm on 36 mm gives 39.6 degrees.

    >>> [round(a, 1) for a in view_degrees(View(focal_mm=50.0, sensor_mm=36.0, aspect=1.5))]
    [39.6, 27.0]
    """
    known = View(degrees=UNKNOWN_VIEW_DEG) if view is None else view
    if known.focal_mm is not None and known.sensor_mm is not None:
        half = known.sensor_mm / 2 / known.focal_mm
    else:
        half = math.tan(math.radians((known.degrees or UNKNOWN_VIEW_DEG) / 2))
    return 2 * math.degrees(math.atan(half)), 2 * math.degrees(math.atan(half / known.aspect))


def outside_frame_deg(
    points: FloatArray, camera: FloatArray, looks_at: FloatArray, view: View | None
) -> FloatArray:
    """Return the angle [degrees] by which each point (n, 3) [m] lies outside the frame; below 0 inside.

    The camera is level and its middle points at `looks_at` [m].
    """
    across, upward = (angle / 2 for angle in view_degrees(view))
    ahead = unit(looks_at - camera)
    right = level_right(ahead)
    up = np.cross(right, ahead)
    way = points - camera
    depth = way @ ahead
    aside = np.degrees(np.arctan2(np.abs(way @ right), depth)) - across
    above = np.degrees(np.arctan2(np.abs(way @ up), depth)) - upward
    outside: FloatArray = np.maximum(aside, above)
    return outside


def lens_answer(
    name: str,
    sources: LightSources,
    head: int,
    output: float,
    *,
    camera: FloatArray,
    looks_at: FloatArray,
    view: View | None,
    exposure_lux: float,
) -> LensAnswer:
    """Return the position of head number `head` relative to the frame, and its light on the lens.

    `output` is the planned output, 0..1. `camera` and `looks_at` (3,) are in metres, and `exposure_lux` is
    the light of the exposure [lux].
    """
    one = sources.take([head])
    outside = float(outside_frame_deg(_disc_points(one), camera, looks_at, view).min())
    lit = float((camera - one.centre[0]) @ one.axis[0]) > 0
    axis = unit(looks_at - camera)[np.newaxis]
    glass = output * float(receptor_lux(one, camera, axis, np.array([False]))[0, 0])
    verdict: Verdict = "clear"
    if outside < 0:
        verdict = "in the picture" if lit else "its back is in the picture"
    elif glass > VEILS_SHARE * exposure_lux:
        verdict = "may veil"
    assumed_view = (
        "" if view is not None else f"; {degrees_text(UNKNOWN_VIEW_DEG)} across the frame, as none is stated"
    )
    return LensAnswer(
        head=name,
        verdict=verdict,
        outside_deg=outside,
        glass_lux=glass,
        do=_advice(name, verdict, outside),
        assumes=f"a level camera whose middle points at the subject{assumed_view}",
    )


def _disc_points(one: LightSources) -> FloatArray:
    axis, radius = one.axis[0], float(one.radius_m[0])
    helper = UP if abs(axis[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    across = unit(np.cross(helper, axis))
    turn = np.linspace(0, 2 * math.pi, RIM, endpoint=False)
    rim = np.outer(np.cos(turn), across) + np.outer(np.sin(turn), np.cross(axis, across))
    points: FloatArray = np.concatenate(
        [one.centre, one.centre + radius * rim, one.centre + radius / 2 * rim]
    )
    return points


def _advice(name: str, verdict: Verdict, outside_deg: float) -> str | None:
    if verdict == "may veil":
        return (
            f"{name} shines on the lens from {degrees_text(outside_deg)} outside the frame: hood the "
            "lens, or put something black between them, until the front glass is in shade"
        )
    if verdict == "clear":
        return None
    return f"{name} is {degrees_text(-outside_deg)} inside the frame: raise it, move it out or frame tighter"
