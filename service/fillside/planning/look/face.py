"""Light on the parts of a face in a given pose, and the result of each way of reading the ratio."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from fillside.balance.measure import stops_over
from fillside.balance.rows import LIT, SHADOW, Metering, Rows
from fillside.photometry.room_light import received_lux
from fillside.planning.figures import PlanningAnswer
from fillside.planning.look.pose import FaceFrame, face_frame
from fillside.rig.tables.plan import Pose

FloatArray = npt.NDArray[np.float64]


class Patch(NamedTuple):
    """A part of the face by the direction its skin faces: degrees to the key's side and up from the nose."""

    aside_deg: float
    up_deg: float


PATCHES: dict[str, Patch] = {
    "forehead": Patch(0, 20),
    "cheek, key side": Patch(45, 0),
    "cheek, fill side": Patch(-45, 0),
    "nose, key side": Patch(70, 0),
    "nose, fill side": Patch(-70, 0),
    "under the chin": Patch(0, -70),
}
"""Directions that skin faces (common practice, no source); the cheeks are read as flat receptors at 45
degrees.
"""

KEY_CHEEK, FILL_CHEEK = "cheek, key side", "cheek, fill side"

ASSUMES = (
    "small patches of skin at the subject's place, each lit by what its own slope can see; shadows that "
    "nose, brow or hair throw are left out, and what table and floor send back counts as the room's light"
)


class PatchLight(PlanningAnswer):
    """Light on one part of the face, and its difference from the key-side cheek."""

    part: str
    lux: float
    stops_under_cheek: float | None


class FaceReading(PlanningAnswer):
    """One way to read the ratio, as a number to one and in stops; None if there is no ratio."""

    read_as: str
    ratio: float | None
    stops: float | None
    how: str


class FaceAnswer(PlanningAnswer):
    """The light on the face at one place and set of levels."""

    yaw_deg: float
    pitch_deg: float
    patches: tuple[PatchLight, ...]
    readings: tuple[FaceReading, ...]
    assumes: str = ASSUMES

    def lux_of(self, part: str) -> float:
        """Return the light [lux] on the part of this name; raises KeyError if there is none."""
        return {patch.part: patch.lux for patch in self.patches}[part]


def patch_lux(metering: Metering, rows: Rows, outputs: FloatArray, frame: FaceFrame) -> dict[str, float]:
    """Return the illuminance [lux] of every patch at the outputs (heads,) 0..1.

    The key's side, the room's light and the ambient light are those of the balance.
    """
    scene, side = metering.scene, -metering.key_side  # the frame's right is the wearer's left
    normals = np.array([frame.toward(side * patch.aside_deg, patch.up_deg) for patch in PATCHES.values()])
    flat = np.zeros(len(normals), dtype=np.bool_)
    given = received_lux(scene.sources, rows.point, normals, flat) @ outputs
    lux = given + scene.ambient_light.on(normals, flat)
    return dict(zip(PATCHES, lux.tolist(), strict=True))


def face_answer(
    metering: Metering, rows: Rows, outputs: FloatArray, pose: Pose, looks_at: FloatArray
) -> FaceAnswer:
    """Return the light on a face in `pose` and every reading of the ratio.

    `outputs` (heads,) 0..1 are those of all heads. `looks_at` (3,) [m] is the point that the face looks at
    before the pose turns it.
    """
    frame = face_frame(rows.point, looks_at, pose.yaw, pose.pitch)
    lux = patch_lux(metering, rows, outputs, frame)
    return FaceAnswer(
        yaw_deg=pose.yaw,
        pitch_deg=pose.pitch,
        patches=tuple(
            PatchLight(part=part, lux=own, stops_under_cheek=stops_over(lux[KEY_CHEEK], own))
            for part, own in lux.items()
        ),
        readings=_readings(metering, rows, outputs, lux),
    )


def _quotient(bright: float, dark: float) -> float | None:
    return bright / dark if bright > 0 and dark > 0 else None


def _reading(read_as: str, quotient: float | None, added: float, how: str) -> FaceReading:
    return FaceReading(
        read_as=read_as,
        ratio=None if quotient is None else quotient + added,
        stops=None if quotient is None else math.log2(quotient),
        how=how,
    )


def _readings(
    metering: Metering, rows: Rows, outputs: FloatArray, lux: dict[str, float]
) -> tuple[FaceReading, ...]:
    metered = rows.lux(outputs)
    both = bool((outputs[metering.is_key] > 0).any() and (outputs[metering.is_fill] > 0).any())
    key_to_fill = _quotient(float(metered[LIT]), float(metered[SHADOW])) if both else None
    darkest = min(PATCHES, key=lambda part: lux[part])
    brightest = max(PATCHES, key=lambda part: lux[part])
    return (
        _reading("key:fill", key_to_fill, 0.0, "each lamp metered alone, a flat receptor turned to it"),
        _reading(
            "key+fill:fill", key_to_fill, 1.0, "the same two lamps; 1 more, and the same stops between them"
        ),
        _reading(
            "face",
            _quotient(lux[KEY_CHEEK], lux[FILL_CHEEK]),
            0.0,
            "all lamps on, flat receptors on both cheeks, 45 degrees to either side",
        ),
        _reading(
            "brightest:darkest",
            _quotient(lux[brightest], lux[darkest]),
            0.0,
            f"{brightest} against {darkest}: what the camera has to hold",
        ),
    )
