"""The catch-light: position and size of a source's reflection in the eye, or the obstacle that hides it."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import numpy.typing as npt

from fillside.planning.figures import PlanningAnswer
from fillside.planning.look.pose import FaceFrame, angle_between_deg, level_right, unit

FloatArray = npt.NDArray[np.float64]

CORNEA_RADIUS_MM = 7.8
"""Mean radius of the front of the human cornea (schematic eyes give 7.7 to 7.8 mm; from memory)."""
IRIS_DIAMETER_MM = 11.7
"""Mean width of the visible cornea and iris (from memory)."""
IRIS_EDGE_DEG = math.degrees(math.asin(IRIS_DIAMETER_MM / 2 / CORNEA_RADIUS_MM))
"""Angle of the cornea's normal at the edge of the iris, in degrees."""
CENTRED_SHARE = 0.1
"""Share of the iris's radius within which a catch-light counts as centred."""

ASSUMES = (
    "eyes that look where the face looks, a spherical cornea, both eyes at the middle of the face; the upper "
    "lid and lashes, which hide the topmost part of the iris, are left out"
)

Hidden = Literal[
    "hidden by the brow",
    "hidden behind the head",
    "off the iris",
    "it lights away from the face",
    "the camera does not see the eyes",
]


class CatchLight(PlanningAnswer):
    """One source reflected in the eye, as the camera sees it.

    `clock_hours` is the position on the iris, 12 at the top and 3 to the camera's right, None where centred
    or hidden. `off_centre` is the distance from the middle of the iris, 1 at its edge, `size_mm` the size of
    the image, and `iris_percent` that size relative to the iris's width.
    """

    head: str
    seen: bool
    hidden: Hidden | None
    clock_hours: float | None
    off_centre: float | None
    size_mm: float | None
    iris_percent: float | None
    elevation_deg: float
    assumes: str = ASSUMES


def image_size_mm(diameter_m: float, distance_m: float) -> float:
    """Return the size [mm] of a source's image in the cornea: D f / (d + f) with f half the radius.

    `diameter_m` is D and `distance_m` d, both in metres. This is the convex mirror (any textbook of optics);
    the keratometer measures the radius by the same relation.

    >>> round(image_size_mm(0.9, 1.2), 1)
    2.9
    """
    focal_m = CORNEA_RADIUS_MM / 2000
    return 1000 * diameter_m * focal_m / (distance_m + focal_m)


def highlight_normal(toward_light: FloatArray, toward_camera: FloatArray) -> FloatArray:
    """Return the unit normal of the cornea where it mirrors the light to the camera: halfway between both.

    By the law of reflection; light and camera count as far away compared with the eye's few millimetres.
    """
    return unit(toward_light + toward_camera)


def clock_hours(right: float, up: float) -> float:
    """Return the position on a clock's face, 12 at the top and 3 to the right, above 0 and at most 12.

    >>> clock_hours(1.0, 0.0), clock_hours(0.0, 1.0)
    (3.0, 12.0)
    """
    hours = math.degrees(math.atan2(right, up)) / 30 % 12
    return hours if hours > 1e-9 else 12.0


def _hidden(
    frame: FaceFrame, to_light: FloatArray, to_camera: FloatArray, gaze: FloatArray, brow_deg: float
) -> Hidden | None:
    """Return the obstacle between a light that shines on the face and its image, or None."""
    azimuth, elevation = frame.angles_deg(to_light)
    if float(to_camera @ frame.forward) <= 0:
        return "the camera does not see the eyes"
    if abs(azimuth) > 90:
        return "hidden behind the head"
    if elevation > brow_deg:
        return "hidden by the brow"
    if float(np.linalg.norm(to_light + to_camera)) < 1e-6:
        return "off the iris"
    off_deg = angle_between_deg(highlight_normal(to_light, to_camera), gaze)
    return "off the iris" if off_deg > IRIS_EDGE_DEG else None


def _hidden_light(name: str, hidden: Hidden, elevation_deg: float) -> CatchLight:
    return CatchLight(
        head=name,
        seen=False,
        hidden=hidden,
        clock_hours=None,
        off_centre=None,
        size_mm=None,
        iris_percent=None,
        elevation_deg=elevation_deg,
    )


def catch_light(
    name: str,
    centre: FloatArray,
    axis: FloatArray,
    diameter_m: float,
    *,
    frame: FaceFrame,
    gaze_at: FloatArray,
    camera: FloatArray,
    brow_deg: float,
) -> CatchLight:
    """Return the reflection of a lit disc in the eye of a face.

    `centre` [m], unit `axis` and `diameter_m` [m] describe the disc. `frame` is the head as it is turned,
    `gaze_at` the point the eyes look at [m], `camera` the lens [m], and `brow_deg` the elevation above the
    face's own line from which the brow hides a light [degrees].
    """
    to_light, to_camera = unit(centre - frame.place), unit(camera - frame.place)
    gaze = unit(gaze_at - frame.place)
    elevation = frame.angles_deg(to_light)[1]
    turned_away = float((frame.place - centre) @ axis) <= 0
    hidden: Hidden | None = (
        "it lights away from the face" if turned_away else _hidden(frame, to_light, to_camera, gaze, brow_deg)
    )
    if hidden is not None:
        return _hidden_light(name, hidden, elevation)
    sideways = level_right(-to_camera)
    off = highlight_normal(to_light, to_camera) - gaze
    right, up = float(off @ sideways), float(off @ np.cross(sideways, -to_camera))
    off_centre = math.hypot(right, up) / math.sin(math.radians(IRIS_EDGE_DEG))
    size = image_size_mm(diameter_m, float(np.linalg.norm(centre - frame.place)))
    return CatchLight(
        head=name,
        seen=True,
        hidden=None,
        clock_hours=clock_hours(right, up) if off_centre > CENTRED_SHARE else None,
        off_centre=off_centre,
        size_mm=size,
        iris_percent=100 * size / IRIS_DIAMETER_MM,
        elevation_deg=elevation,
    )
