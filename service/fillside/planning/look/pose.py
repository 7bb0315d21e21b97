"""The face as a frame of directions, and the angles of anything seen from it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])
STEEPEST_DEG = 89.0


def unit(vector: FloatArray) -> FloatArray:
    """Return the vector scaled to length 1; raises ValueError for one without length."""
    length = float(np.linalg.norm(vector))
    if length < 1e-12:
        raise ValueError("two places coincide: no direction leads from one to the other")
    return vector / length


def level_right(ahead: FloatArray) -> FloatArray:
    """Return the level unit vector to the right of a viewer along `ahead`; +x for straight up or down."""
    across = np.cross(ahead, UP)
    return unit(across) if float(np.linalg.norm(across)) > 1e-9 else np.array([1.0, 0.0, 0.0])


def angle_between_deg(a: FloatArray, b: FloatArray) -> float:
    """Return the angle between two vectors [degrees], 0..180.

    The atan2 of cross and dot product keeps its digits near 0 and 180 degrees.

    >>> round(angle_between_deg(np.array([1.0, 0, 0]), np.array([1.0, 1.0, 0])), 6)
    45.0
    """
    return math.degrees(math.atan2(float(np.linalg.norm(np.cross(a, b))), float(a @ b)))


def direction(azimuth_deg: float, elevation_deg: float) -> FloatArray:
    """Return a unit vector in the room for someone at the origin who looks along -y (toward the camera).

    Azimuth is positive to the camera's right (+x), elevation above the horizon, both in degrees.

    >>> [round(float(v), 3) for v in direction(30, 0)]
    [0.5, -0.866, 0.0]
    """
    azimuth, elevation = math.radians(azimuth_deg), math.radians(elevation_deg)
    return np.array(
        [
            math.sin(azimuth) * math.cos(elevation),
            -math.cos(azimuth) * math.cos(elevation),
            math.sin(elevation),
        ]
    )


def azimuth_elevation_deg(vector: FloatArray) -> tuple[float, float]:
    """Return the azimuth and elevation [degrees] of a vector, the inverse of `direction`."""
    x, y, z = (float(v) for v in vector)
    return math.degrees(math.atan2(x, -y)), math.degrees(math.atan2(z, math.hypot(x, y)))


@dataclass(frozen=True)
class FaceFrame:
    """A face in the room: its place [m] and three unit vectors at right angles.

    `right` points to the camera's right when the face looks at the camera, which is the wearer's own left.
    """

    place: FloatArray
    forward: FloatArray
    right: FloatArray
    up: FloatArray

    def toward(self, azimuth_deg: float, elevation_deg: float) -> FloatArray:
        """Return a unit vector turned by azimuth to the camera's right and by elevation toward the crown."""
        azimuth, elevation = math.radians(azimuth_deg), math.radians(elevation_deg)
        level = math.cos(azimuth) * self.forward + math.sin(azimuth) * self.right
        turned: FloatArray = math.cos(elevation) * level + math.sin(elevation) * self.up
        return turned

    def angles_deg(self, vector: FloatArray) -> tuple[float, float]:
        """Return the azimuth and elevation [degrees] of a vector relative to the face."""
        ahead, aside, above = (float(vector @ a) for a in (self.forward, self.right, self.up))
        return math.degrees(math.atan2(aside, ahead)), math.degrees(
            math.atan2(above, math.hypot(ahead, aside))
        )


def face_frame(
    place: Sequence[float] | FloatArray,
    looks_at: Sequence[float] | FloatArray,
    yaw_deg: float = 0.0,
    pitch_deg: float = 0.0,
) -> FaceFrame:
    """Return the face at `place` [m] looking at `looks_at` [m], then turned by yaw and lifted by pitch.

    Yaw is positive to the camera's right, pitch chin up, both in degrees. A face that would look straight up
    or down, and so have no sides, is taken at 89 degrees. Raises ValueError where both places coincide.
    """
    here = np.asarray(place, dtype=float)
    azimuth, elevation = azimuth_elevation_deg(unit(np.asarray(looks_at, dtype=float) - here))
    tilted = min(STEEPEST_DEG, max(-STEEPEST_DEG, elevation + pitch_deg))
    forward = direction(azimuth + yaw_deg, tilted)
    right = unit(np.cross(UP, forward))
    return FaceFrame(here, forward, right, np.cross(forward, right))
