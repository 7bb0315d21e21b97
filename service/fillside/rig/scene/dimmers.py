"""Conversion between wire codes, levels and outputs for all heads of a rig at once."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fillside.photometry.dimming import DimmingCurve, floor_code, smallest_lit_code

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


def _index(heads: Sequence[int]) -> slice | IntArray:
    # Heads that follow one another need no copy, and in a rig of hundreds most do.
    first, last = heads[0], heads[-1]
    return slice(first, last + 1) if last - first + 1 == len(heads) else np.array(heads)


class Dimmers:
    """The dimming curves and wires of a rig; arrays have one entry per head, in the rig's order.

    Attributes:
        full: codes of full level.
        floors: smallest codes of held heads.
        least_lit: smallest codes that give any light.
        fixed: true for a head without a wire, whose code is 0 and whose level and output are 1.
    """

    def __init__(
        self,
        curves: Sequence[DimmingCurve],
        full_scales: Sequence[int],
        least_outputs: FloatArray,
        fixed: BoolArray,
    ) -> None:
        groups: dict[tuple[DimmingCurve, int], list[int]] = {}
        for i, pair in enumerate(zip(curves, full_scales, strict=True)):
            if not fixed[i]:
                groups.setdefault(pair, []).append(i)
        self._groups = [(_index(heads), curve, scale) for (curve, scale), heads in groups.items()]
        alike = len(groups) == 1 and len(next(iter(groups.values()))) == len(curves)
        self._of_all = next(iter(groups)) if alike else None
        self._curves = tuple(curves)
        self.fixed = np.asarray(fixed, dtype=bool)
        self.full = np.array(full_scales, dtype=np.int64)
        self.least_lit = np.zeros(len(self._curves), dtype=np.int64)
        self.floors = np.zeros(len(self._curves), dtype=np.int64)
        for (curve, scale), heads in groups.items():
            self.least_lit[heads] = smallest_lit_code(curve, scale)
            for i in heads:
                self.floors[i] = floor_code(curve, scale, float(least_outputs[i]))

    def outputs(self, codes: Sequence[int] | IntArray) -> FloatArray:
        """Return the outputs (..., heads), 0..1, of codes (..., heads)."""
        wanted = np.asarray(codes, dtype=np.int64)
        if self._of_all is not None:
            only, full = self._of_all
            return only.output_from_level(wanted / full)
        found = np.ones(wanted.shape)
        for heads, curve, scale in self._groups:
            found[..., heads] = curve.output_from_level(wanted[..., heads] / scale)
        return found

    def output(self, head: int, code: int) -> float:
        """Return the output of one head at a code."""
        if self.fixed[head]:
            return 1.0
        return self._curves[head].output_from_level(code / int(self.full[head]))

    def levels_from_codes(self, codes: Sequence[int] | IntArray) -> FloatArray:
        """Return the levels (..., heads), 0..1, of codes (..., heads)."""
        wanted = np.asarray(codes, dtype=np.int64)
        return np.where(self.fixed, 1.0, wanted / np.maximum(self.full, 1))

    def codes_from_levels(self, levels: FloatArray) -> IntArray:
        """Return the codes nearest to levels (heads,), 0..1; raise ValueError for NaN."""
        if np.isnan(levels).any():
            raise ValueError("a level is a number from 0 to 1, not NaN")
        return np.floor(np.clip(levels, 0.0, 1.0) * self.full + 0.5).astype(np.int64)

    def levels_from_outputs(self, outputs: FloatArray) -> FloatArray:
        """Return the smallest levels (heads,), 0..1, that give outputs (heads,)."""
        found = np.ones(len(outputs))
        for heads, curve, _ in self._groups:
            found[heads] = curve.level_from_output(outputs[heads])
        return found

    def codes(self, outputs: FloatArray) -> IntArray:
        """Round outputs (heads,) to codes: 0 for no light, and a lit code for any light."""
        lit = (outputs > 0) & ~self.fixed
        return np.where(lit, np.maximum(self._nearest(outputs), self.least_lit), 0)

    def held_codes(self, outputs: FloatArray) -> IntArray:
        """Round outputs (heads,) of held heads to codes, never below their floors and so never dark."""
        # A head without a wire has neither a nearest code nor a floor above 0.
        return np.maximum(self._nearest(outputs), self.floors)

    def held_code(self, head: int, output: float) -> int:
        """Return `held_codes` for one head."""
        if self.fixed[head]:
            return 0
        level = self._curves[head].level_from_output(output)
        return max(int(self.floors[head]), math.floor(level * int(self.full[head]) + 0.5))

    def stops(self, codes: Sequence[int], least_output: float) -> FloatArray:
        """Return log₂ of the outputs (heads,) [stops]; those below `least_output` count as equal to it."""
        found: FloatArray = np.log2(np.maximum(self.outputs(codes), least_output))
        return found

    def _nearest(self, outputs: FloatArray) -> IntArray:
        if self._of_all is not None:
            only, full = self._of_all
            return np.floor(only.level_from_output(outputs) * full + 0.5).astype(np.int64)
        found = np.zeros(len(outputs), dtype=np.int64)
        for heads, curve, scale in self._groups:
            found[heads] = np.floor(curve.level_from_output(outputs[heads]) * scale + 0.5)
        return found
