"""What the heads can do: how far down and up each may go, and which of them are held."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fillside.photometry.dimming import code_from_output, floor_code, level_from_code
from fillside.rig.scene.scene import Scene

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class OutputLimits:
    """Outputs (heads,) a head may have at least and at most, and which heads the balance may set.

    A fixed head has least = most = 1; one that is lost or never part of the balance least = most = 0; one
    that stays at a level whatever it is sent has that as both. None of these is `held`. `floor_codes` are the
    wire codes of the least, 0 for heads not held."""

    least: FloatArray
    most: FloatArray
    held: npt.NDArray[np.bool_]
    floor_codes: tuple[int, ...]


def limits_of(
    scene: Scene, working: Sequence[bool] | None = None, stay: Mapping[int, int] | None = None
) -> OutputLimits:
    """The limits of a scene; `working` (heads,) says which heads can be set, all if left out. Of the others
    those in `stay`, by place, give what these codes give, and the rest nothing."""
    there = [True] * len(scene.names) if working is None else list(working)
    least, most = np.zeros(len(there)), np.zeros(len(there))
    held = np.zeros(len(there), dtype=bool)
    codes = [0] * len(there)
    for i, rule in enumerate(scene.rules):
        if rule == "work" or not there[i]:
            if rule != "work" and stay and i in stay:
                most[i] = least[i] = output_of_code(scene, i, stay[i])
            continue
        most[i] = least[i] = 1.0
        if not scene.fixed[i]:
            held[i] = True
            codes[i] = floor_code(scene.curves[i], scene.full_scales[i], float(scene.floors[i]))
            least[i] = output_of_code(scene, i, codes[i])
    return OutputLimits(least, most, held, tuple(codes))


def output_of_code(scene: Scene, head: int, code: int) -> float:
    """The output a head gives at a wire code, 0..1; a fixed head gives 1."""
    if scene.fixed[head]:
        return 1.0
    return scene.curves[head].output_from_level(level_from_code(code, scene.full_scales[head]))


def code_of_output(scene: Scene, head: int, output: float) -> int:
    """A held head's own rounding of an output: never below its floor, never out."""
    return code_from_output(scene.curves[head], output, scene.full_scales[head], float(scene.floors[head]))
