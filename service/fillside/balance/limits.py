"""The range of each head's output, and the heads that the balance sets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fillside.rig.scene.scene import Scene

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class OutputLimits:
    """The least and most output of each head (heads,), and the heads that the balance may set (`held`).

    A fixed head has least = most = 1; a head that is lost, out or never part of the balance has 0 as both; a
    head that stays at one level whatever it is sent has the output of that level as both. None of these is
    `held`. `floor_codes` are the wire codes of the least outputs, 0 for heads not held; `stay` are the codes,
    by index, of heads that stay at one level.
    """

    least: FloatArray
    most: FloatArray
    held: npt.NDArray[np.bool_]
    floor_codes: tuple[int, ...]
    stay: Mapping[int, int]

    def with_out(self, out: npt.NDArray[np.bool_]) -> OutputLimits:
        """Return limits within which the held heads among `out` (heads,) give no light and are not held."""
        off = self.held & out
        floor_codes = tuple(0 if gone else code for gone, code in zip(off, self.floor_codes, strict=True))
        least, most = (np.where(off, 0.0, end) for end in (self.least, self.most))
        return OutputLimits(least, most, self.held & ~off, floor_codes, self.stay)


def limits_of(
    scene: Scene, working: Sequence[bool] | None = None, stay: Mapping[int, int] | None = None
) -> OutputLimits:
    """Return the limits of a scene.

    `working` (heads,) are the heads that can be set, by default all. Of the others, those in `stay` give the
    output of their code, and the rest give no light.
    """
    count = len(scene.names)
    can_be_set = np.ones(count, dtype=bool) if working is None else np.array(working, dtype=bool)
    balanced = np.array([rule != "work" for rule in scene.rules], dtype=bool)
    held = can_be_set & balanced & ~scene.fixed
    floors = np.where(held, scene.dimmers.floors, 0)
    most = np.where(can_be_set & balanced, 1.0, 0.0)
    least = np.where(held, scene.dimmers.outputs(floors), most)
    staying = stay or {}
    for i, code in staying.items():
        if balanced[i] and not can_be_set[i]:
            most[i] = least[i] = scene.dimmers.output(i, code)
    return OutputLimits(least, most, held, tuple(floors.tolist()), staying)
