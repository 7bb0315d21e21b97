"""From outputs to wire codes and back, for all heads of a rig at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fillside.hold.fading.flash_limiter import LEAST_OUTPUT
from fillside.photometry.dimming import DimmingCurve, floor_code, smallest_lit_code
from fillside.rig.scene.scene import Scene

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


class Dimmers:
    """The dimming curves and wires of a scene; arrays have one entry a head, in the rig's order.

    A head without a wire has code 0 and output 1.
    """

    def __init__(self, scene: Scene) -> None:
        groups: dict[tuple[DimmingCurve, int], list[int]] = {}
        for i, (curve, full_scale) in enumerate(zip(scene.curves, scene.full_scales, strict=True)):
            if not scene.fixed[i]:
                groups.setdefault((curve, full_scale), []).append(i)
        self._groups = [(np.array(heads), curve, scale) for (curve, scale), heads in groups.items()]
        self.fixed = np.asarray(scene.fixed, dtype=bool)
        self.full = np.array(scene.full_scales, dtype=np.int64)
        self.least_lit = np.zeros(len(scene.names), dtype=np.int64)
        self.floors = np.zeros(len(scene.names), dtype=np.int64)
        for i in np.flatnonzero(~self.fixed).tolist():
            curve, scale = scene.curves[i], scene.full_scales[i]
            self.least_lit[i] = smallest_lit_code(curve, scale)
            self.floors[i] = floor_code(curve, scale, float(scene.floors[i]))

    def outputs(self, codes: Sequence[int] | IntArray) -> FloatArray:
        """The outputs (heads,) that codes give."""
        wanted = np.asarray(codes, dtype=np.int64)
        found = np.ones(len(wanted))
        for heads, curve, scale in self._groups:
            found[heads] = curve.output_from_level(wanted[heads] / scale)
        return found

    def apart_stops(self, one: Sequence[int], other: Sequence[int]) -> float:
        """The largest difference of a head's light between two sets of codes; below 0.01 of full there is
        none."""
        stops = [np.log2(np.maximum(self.outputs(codes), LEAST_OUTPUT)) for codes in (one, other)]
        return float(np.abs(stops[0] - stops[1]).max(initial=0.0))

    def codes(self, outputs: FloatArray) -> IntArray:
        """Each head's own rounding of an output (heads,): no light is code 0, any light a code that is
        lit."""
        found = np.zeros(len(outputs), dtype=np.int64)
        for heads, curve, scale in self._groups:
            found[heads] = np.floor(curve.level_from_output(outputs[heads]) * scale + 0.5)
        lit = (outputs > 0) & ~self.fixed
        return np.where(lit, np.maximum(found, self.least_lit), 0)
