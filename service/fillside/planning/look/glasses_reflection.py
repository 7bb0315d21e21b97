"""Position of a source's image in the wearer's spectacles, as the camera sees it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from fillside.planning.look.pose import FaceFrame, face_frame, unit
from fillside.rig.tables.plan import Glasses, Pose

FloatArray = npt.NDArray[np.float64]

FLAT_BELOW_DIOPTRE = 0.01
"""Base curve [dioptre] below which a lens counts as flat: a radius of 50 m."""
TOOLING_INDEX = 1.53
"""The refractive index by which spectacle base curves are named (common practice of lens makers)."""
SMALLEST_RADIUS_M = 0.03
"""Smallest radius [m] of a source in the mirror image, as of a bare bulb (common practice, no source)."""
ACROSS, DOWN, RIM = 21, 15, 36
"""Rays across and down a lens, and points round a source's edge, of the sweep."""


@dataclass(frozen=True)
class Disc:
    """A lit disc: centre [m], unit axis along which its light leaves, radius [m]."""

    centre: FloatArray
    axis: FloatArray
    radius_m: float


@dataclass(frozen=True)
class Wearer:
    """A face with spectacles in front of a camera, which determine a source's mirror image."""

    place: tuple[float, float, float]
    looks_at: tuple[float, float, float]
    camera: tuple[float, float, float]
    pose: Pose
    glasses: Glasses

    @property
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


def lens_rays(wearer: Wearer, side: Literal[-1, 0, 1]) -> tuple[FloatArray, FloatArray]:
    """Return points on one lens (n, 3) [m] and the unit directions mirrored there to the camera (n, 3).

    `side` is +1 for the lens to the camera's right, -1 for the other and 0 for a lens in the middle of the
    face without wrap. The normal at a height h off the lens's centre is turned by asin(h / R).
    """
    frame, form = wearer.frame, wearer.glasses
    middle = frame.toward(side * form.wrap, -form.tilt)
    across = unit(np.cross(frame.up, middle))
    upward = np.cross(middle, across)
    u, v = np.meshgrid(
        np.linspace(-0.5, 0.5, ACROSS) * form.width_mm / 1000,
        np.linspace(-0.5, 0.5, DOWN) * form.height_mm / 1000,
    )
    off = np.stack([u.ravel(), v.ravel()], axis=1)
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


def _rim(disc: Disc) -> FloatArray:
    helper = np.array([0.0, 0.0, 1.0]) if abs(disc.axis[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    across = unit(np.cross(helper, disc.axis))
    turn = np.linspace(0, 2 * math.pi, RIM, endpoint=False)
    radius = max(disc.radius_m, SMALLEST_RADIUS_M)
    circle = np.outer(np.cos(turn), across) + np.outer(np.sin(turn), np.cross(disc.axis, across))
    rim: FloatArray = disc.centre + radius * circle
    return rim


def ray_margins_deg(points: FloatArray, directions: FloatArray, disc: Disc) -> FloatArray:
    """Return the angle [degrees] by which each mirrored ray passes the disc's edge.

    `points` and `directions` of the rays are (n, 3). The angle is negative if the ray meets the disc, and 180
    from behind the disc's lit face.
    """
    to_centre = disc.centre - points
    before = -(to_centre @ disc.axis)
    to_rim = _rim(disc)[np.newaxis] - points[:, np.newaxis]
    to_rim /= np.linalg.norm(to_rim, axis=2, keepdims=True)
    cosine = np.einsum("rkc,rc->rk", to_rim, directions)
    nearest = np.degrees(np.arccos(np.clip(cosine.max(axis=1), -1.0, 1.0)))
    toward = directions @ disc.axis
    with np.errstate(divide="ignore", invalid="ignore"):
        along = -before / toward
    foot = points + np.where(toward < 0, along, 0.0)[:, np.newaxis] * directions
    radius = max(disc.radius_m, SMALLEST_RADIUS_M)
    meets = (toward < 0) & (np.linalg.norm(foot - disc.centre, axis=1) <= radius)
    return np.where(before <= 0, 180.0, np.where(meets, -nearest, nearest))


def _lens_sides(glasses: Glasses) -> tuple[Literal[-1, 0, 1], ...]:
    return (-1, 1) if glasses.apart_mm > 0 else (0,)


def margin_deg(wearer: Wearer, disc: Disc) -> float:
    """Return the angle [degrees] between the disc's image and both lenses; negative where it is seen."""
    return min(float(ray_margins_deg(*lens_rays(wearer, s), disc).min()) for s in _lens_sides(wearer.glasses))


def covered_share(wearer: Wearer, disc: Disc) -> float:
    """Return the share of the worse lens that the image covers, 0..1."""
    return max(
        float((ray_margins_deg(*lens_rays(wearer, s), disc) < 0).mean()) for s in _lens_sides(wearer.glasses)
    )
