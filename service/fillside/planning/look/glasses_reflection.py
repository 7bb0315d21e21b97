"""Position of a source's image in the wearer's spectacles, as the camera sees it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from fillside.planning.look.pose import FaceFrame, face_frame, unit
from fillside.rig.tables.plan import Glasses, Pose

FloatArray = npt.NDArray[np.float64]
EdgeCosines = Callable[[FloatArray], FloatArray]
Side = Literal[-1, 0, 1]

FLAT_BELOW_DIOPTRE = 0.01
"""Base curve [dioptre] below which a lens counts as flat: a radius of 50 m."""
TOOLING_INDEX = 1.53
"""The refractive index by which spectacle base curves are named (common practice of lens makers)."""
SMALLEST_RADIUS_M = 0.03
"""Smallest radius [m] of a source in the mirror image, as of a bare bulb (common practice, no source)."""
ACROSS, DOWN, RIM = 21, 15, 36
"""Rays across and down a lens, and points round a source's edge, from which the search for the nearest
starts: they lie some degrees apart, more than a bulb is wide."""
EDGE_STEPS = (2 * math.pi / RIM, math.radians(1.0))
"""Steps round a source's edge through which a parabola is laid to find the point nearest to a ray."""
LEAST_BEND = 1e-15
"""Bend of a parabola below which there is no nearest point: the ray goes through the middle of the edge."""
TOUCHES_M = 1e-9
"""Distance [m] below which a ray starts at the source's edge itself."""
CLOSER, CLOSINGS = 3, 3
"""Times that the rays about the nearest one are this much closer together: to a tenth of a degree."""


@dataclass(frozen=True)
class Disc:
    """A lit disc: centre [m], unit axis along which its light leaves, radius [m]."""

    centre: FloatArray
    axis: FloatArray
    radius_m: float

    @cached_property
    def edge(self) -> FloatArray:
        """The ways (2, 3) [m] from the centre to two places of its edge, a right angle apart."""
        helper = np.array([0.0, 0.0, 1.0]) if abs(self.axis[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
        across = unit(np.cross(helper, self.axis))
        return max(self.radius_m, SMALLEST_RADIUS_M) * np.stack([across, np.cross(self.axis, across)])


@dataclass(frozen=True)
class Wearer:
    """A face with spectacles in front of a camera, which determine a source's mirror image."""

    place: tuple[float, float, float]
    looks_at: tuple[float, float, float]
    camera: tuple[float, float, float]
    pose: Pose
    glasses: Glasses

    @cached_property
    def frame(self) -> FaceFrame:
        return face_frame(self.place, self.looks_at, self.pose.yaw, self.pose.pitch)


def surface_radius_m(curve_dioptre: float) -> float:
    """Return the radius [m] of a lens surface of this power [dioptre] at the tooling index; infinite for 0.

    R = (n - 1) / F, the power of one refracting surface in air (any textbook of ophthalmic optics).

    >>> round(surface_radius_m(6.0), 5)
    0.08833
    """
    return math.inf if curve_dioptre < FLAT_BELOW_DIOPTRE else (TOOLING_INDEX - 1) / curve_dioptre


def mirror_direction(normal: FloatArray, toward_camera: FloatArray) -> FloatArray:
    """Return the unit direction(s) that the camera sees in a mirror of unit `normal`: m = 2 (n.c) n - c.

    Both arrays have shape (..., 3). This is the law of reflection in vector form, outward from the lens.
    """
    along = np.sum(normal * toward_camera, axis=-1, keepdims=True)
    mirrored: FloatArray = 2 * along * normal - toward_camera
    return mirrored


def lens_rays(wearer: Wearer, side: Side) -> tuple[FloatArray, FloatArray]:
    """Return points on one lens (n, 3) [m] and the unit directions mirrored there to the camera (n, 3).

    `side` is +1 for the lens to the camera's right, -1 for the other and 0 for a lens in the middle of the
    face without wrap.
    """
    return _rays_at(wearer, side, _lens_grid(wearer.glasses))


def _lens_grid(form: Glasses) -> FloatArray:
    """Return places all over a lens (n, 2) [m], across and up from its centre."""
    u, v = np.meshgrid(np.linspace(-0.5, 0.5, ACROSS), np.linspace(-0.5, 0.5, DOWN))
    return np.stack([u.ravel(), v.ravel()], axis=1) * _size_m(form)


def _size_m(form: Glasses) -> FloatArray:
    return np.array([form.width_mm, form.height_mm]) / 1000


def _rays_at(wearer: Wearer, side: Side, off: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return points and directions as `lens_rays`, at places off a lens's centre (n, 2) [m].

    The normal at a height h off the lens's centre is turned by asin(h / R).
    """
    frame, form = wearer.frame, wearer.glasses
    middle = frame.toward(side * form.wrap, -form.tilt)
    across = unit(np.cross(frame.up, middle))
    upward = np.cross(middle, across)
    radius_m = surface_radius_m(form.curve)
    lean = off / radius_m
    depth = np.sqrt(np.maximum(1 - np.sum(lean**2, axis=1), 0.0))
    plane = np.stack([across, upward])
    normals = lean @ plane + depth[:, np.newaxis] * middle
    sag = 0.0 if math.isinf(radius_m) else radius_m * (1 - depth)
    centre = frame.place + side * form.apart_mm / 2000 * frame.right
    points = centre + off @ plane - np.outer(sag * np.ones(len(off)), middle)
    camera = np.asarray(wearer.camera) - points
    camera /= np.linalg.norm(camera, axis=1, keepdims=True)
    return points, mirror_direction(normals, camera)


def _edge_cosines(points: FloatArray, directions: FloatArray, disc: Disc) -> EdgeCosines:
    """Return the cosines of the angle from each ray to places turned (n, k) [rad] round the disc's edge."""
    plane = disc.edge
    to_centre = disc.centre - points
    ahead = np.sum(to_centre * directions, axis=1)[:, np.newaxis]
    square = np.sum(to_centre**2, axis=1)[:, np.newaxis] + plane[0] @ plane[0]
    along, beside = (directions @ plane.T).T[..., np.newaxis], (to_centre @ plane.T).T[..., np.newaxis]

    def at(turn: FloatArray) -> FloatArray:
        cos, sin = np.cos(turn), np.sin(turn)
        away = np.sqrt(np.maximum(square + 2 * (cos * beside[0] + sin * beside[1]), TOUCHES_M**2))
        cosines: FloatArray = (ahead + cos * along[0] + sin * along[1]) / away
        return cosines

    return at


def _to_edge_deg(points: FloatArray, directions: FloatArray, disc: Disc) -> FloatArray:
    """Return the angle (n,) [degrees] from each ray to the nearest place on the disc's edge."""
    cosines_at = _edge_cosines(points, directions, disc)
    all_round = np.linspace(0, 2 * math.pi, RIM, endpoint=False)
    nearest = all_round[cosines_at(all_round[np.newaxis]).argmax(axis=1)]
    for step in EDGE_STEPS:
        before, at, after = cosines_at(nearest[:, np.newaxis] + np.array([-step, 0.0, step])).T
        bend = np.minimum(before - 2 * at + after, -LEAST_BEND)
        nearest = nearest + step * np.clip((before - after) / bend / 2, -1.0, 1.0)
    cosine = cosines_at(nearest[:, np.newaxis])[:, 0]
    angle: FloatArray = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return angle


def ray_margins_deg(points: FloatArray, directions: FloatArray, disc: Disc) -> FloatArray:
    """Return the angle [degrees] by which each mirrored ray passes the disc's edge.

    `points` and `directions` of the rays are (n, 3). The angle is negative if the ray meets the disc, and 180
    from behind the disc's lit face.
    """
    to_centre = disc.centre - points
    before = -(to_centre @ disc.axis)
    nearest = _to_edge_deg(points, directions, disc)
    toward = directions @ disc.axis
    with np.errstate(divide="ignore", invalid="ignore"):
        along = -before / toward
    foot = points + np.where(toward < 0, along, 0.0)[:, np.newaxis] * directions
    radius = max(disc.radius_m, SMALLEST_RADIUS_M)
    meets = (toward < 0) & (np.linalg.norm(foot - disc.centre, axis=1) <= radius)
    return np.where(before <= 0, 180.0, np.where(meets, -nearest, nearest))


def _lens_sides(glasses: Glasses) -> tuple[Side, ...]:
    return (-1, 1) if glasses.apart_mm > 0 else (0,)


def _lens_margin_deg(wearer: Wearer, side: Side, disc: Disc) -> float:
    """Return the angle [degrees] between the disc's image and one lens, by ever closer rays."""
    size = _size_m(wearer.glasses)
    off = _lens_grid(wearer.glasses)
    apart = size / (np.array([ACROSS, DOWN]) - 1)
    u, v = np.meshgrid(*[np.linspace(-1, 1, 2 * CLOSER + 1)] * 2)
    about = np.stack([u.ravel(), v.ravel()], axis=1)
    margins = ray_margins_deg(*_rays_at(wearer, side, off), disc)
    least = float(margins.min())
    for _ in range(CLOSINGS):
        off = np.clip(off[margins.argmin()] + apart * about, -size / 2, size / 2)
        margins = ray_margins_deg(*_rays_at(wearer, side, off), disc)
        least, apart = min(least, float(margins.min())), apart / CLOSER
    return least


def margin_deg(wearer: Wearer, disc: Disc) -> float:
    """Return the angle [degrees] between the disc's image and both lenses; negative where it is seen."""
    return min(_lens_margin_deg(wearer, side, disc) for side in _lens_sides(wearer.glasses))


def covered_share(wearer: Wearer, disc: Disc) -> float:
    """Return the share of the worse lens that the image covers, 0..1."""
    return max(
        float((ray_margins_deg(*lens_rays(wearer, s), disc) < 0).mean()) for s in _lens_sides(wearer.glasses)
    )
