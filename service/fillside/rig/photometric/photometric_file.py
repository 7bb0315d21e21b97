"""The content of a photometric file, and the mean of its planes as one table of intensity off the axis.

PhotometricFileError    a file that cannot be used, with the problem and its line
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_NEAR_DEG = 0.01
_WHOLE_TURNS_DEG = (90.0, 180.0, 360.0)
"""Sectors that represent the whole turn, because mirroring does not change the mean."""
LEAST_CD = 1e-6
"""A lower intensity on the axis counts as none: dividing by it would overflow."""
_IN_THE_BEAM = 0.5
"""The beam is the range of angles with at least this share of the intensity on the axis."""


class PhotometricFileError(ValueError):
    """A photometric file that cannot be used; `line` counts from 1 and is None for the file as a whole."""

    def __init__(self, message: str, line: int | None = None) -> None:
        super().__init__(message if line is None else f"line {line}: {message}")
        self.message, self.line = message, line


@dataclass(frozen=True)
class PhotometricFile:
    """One photometric file; fields are None if the file does not state them.

    Attributes:
        angles_deg: (v,) angles from the axis of the light, from 0.
        planes_deg: (h,) angles of the planes about the axis.
        candela: (h, v) intensities.
        lamp_lumens: flux of the bare lamps that the intensities refer to; None for absolute photometry.
        stated_lumens: flux of the luminaire as stated by the file.
        opening_m: diameter of a disc with the area of the luminous opening.
    """

    angles_deg: tuple[float, ...]
    planes_deg: tuple[float, ...]
    candela: FloatArray
    lamp_lumens: float | None = None
    stated_lumens: float | None = None
    opening_m: float | None = None

    def mean_candela(self) -> FloatArray:
        """Return the mean intensities (v,) over a whole turn about the axis [cd].

        Raises:
            PhotometricFileError: planes are missing from the turn, or there is no light on the axis.
        """
        mean: FloatArray = plane_weights(self.planes_deg) @ self.candela
        if not mean[0] >= LEAST_CD:
            raise PhotometricFileError(
                "there is no light at vertical angle 0, which is where the head is aimed; a file of a lamp "
                "that lights upward or sideways cannot stand for a head"
            )
        return mean

    def uneven_stops(self) -> float:
        """Return the largest deviation of a plane from the mean within the beam [stops]."""
        mean = self.mean_candela()
        beam = mean >= _IN_THE_BEAM * mean[0]
        planes = np.maximum(self.candela[:, beam], 1e-6 * mean[0])
        return float(np.abs(np.log2(planes / mean[beam])).max())


def plane_weights(planes_deg: Sequence[float]) -> FloatArray:
    """Return the share of the whole turn that each plane represents (h,), linear between planes.

    A single plane means rotational symmetry; planes over 90 or 180 degrees are mirrored.

    Raises:
        PhotometricFileError: the planes cover neither a sector nor the whole turn.

    >>> plane_weights([0.0, 45.0, 90.0]).tolist()
    [0.25, 0.5, 0.25]
    >>> plane_weights([0.0, 90.0, 180.0, 270.0]).tolist()
    [0.25, 0.25, 0.25, 0.25]
    """
    planes = np.asarray(planes_deg, dtype=float)
    if len(planes) == 1:
        return np.ones(1)
    gaps = np.diff(planes)
    span = float(planes[-1] - planes[0])
    if any(math.isclose(span, turn, abs_tol=_NEAR_DEG) for turn in _WHOLE_TURNS_DEG):
        return _halves_of_gaps(gaps, 0.0) / span
    last = 360.0 - span
    if not 0 < last <= 1.5 * gaps.max():
        raise PhotometricFileError(
            f"the planes go from {planes[0]:g} to {planes[-1]:g} degrees; they must cover 90, 180 or 360"
        )
    return _halves_of_gaps(gaps, last) / 360.0


def _halves_of_gaps(gaps: FloatArray, at_the_ends: float) -> FloatArray:
    """Return half of the gaps on both sides of each plane [degrees]."""
    halves: FloatArray = (np.append(gaps, at_the_ends) + np.insert(gaps, 0, at_the_ends)) / 2
    return halves


def opening_diameter_m(length_m: float, width_m: float) -> float | None:
    """Return the diameter [m] of a disc with the area of an opening; a width of 0 marks `length_m` as one.

    >>> round(opening_diameter_m(1.0, 1.0), 4)
    1.1284
    """
    if length_m <= 0:
        return None
    return length_m if width_m <= 0 else math.sqrt(4 / math.pi * length_m * width_m)
