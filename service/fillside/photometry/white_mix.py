"""Two whites on one dimmer: what each channel of a lamp gets so that the mix dims and its colour stays.

The whole lamp is driven by one code, like any other. A code's light is that of the two channels' codes as
they are rounded, so that whoever rounds heads together counts with what is really there.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fillside.photometry.dimming import DimmingCurve, outputs_of_codes

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def most_light(cool_part: float, cool_share: float) -> float:
    """The most light of a mix, over that with both channels at full; 1 where the mix is just that.

    `cool_part` (0..1) is the cool channel's part of the light with both at full, `cool_share` (0..1) that in
    the mix. One channel is at full, the other as far as the mix allows.

    >>> most_light(0.5, 0.5), most_light(0.5, 0.25), most_light(0.5, 0.0)
    (1.0, 0.6666666666666666, 0.5)
    """
    warm = (1 - cool_part) / (1 - cool_share) if cool_share < 1 else 1.0
    return min(warm, cool_part / cool_share if cool_share > 0 else 1.0)


@dataclass(frozen=True)
class WhiteMix(DimmingCurve):
    """The dimming curve of a lamp with a warm and a cool channel that holds one mix.

    Both channels have the curve `base` and codes up to `full_scale`. `cool_part` is the cool channel's part
    of the light with both at full, `cool_share` that in the mix; both 0..1, `cool_part` neither 0 nor 1.
    Output 1 is the most that the mix can give. Codes' outputs are exact; between codes the curve is straight.
    """

    base: DimmingCurve
    full_scale: int
    cool_part: float
    cool_share: float

    @property
    def most(self) -> float:
        """The light of output 1, over that with both channels at full."""
        return most_light(self.cool_part, self.cool_share)

    def channel_codes(self, code: int) -> tuple[int, int]:
        """The warm and the cool channel's codes for the lamp's.

        >>> from fillside.photometry.dimming import Linear
        >>> WhiteMix(Linear(), 255, 0.5, 0.25).channel_codes(200)
        (200, 67)
        """
        warm, cool = _channels(self)
        return int(warm[code]), int(cool[code])

    def cool_shares(self, least_output: float) -> tuple[float, float]:
        """The least and the most cool share that rounding makes of codes of at least an output."""
        warm, cool = _channels(self)
        of_base = outputs_of_codes(self.base, self.full_scale)
        cool_light = self.cool_part * of_base[cool]
        light = (1 - self.cool_part) * of_base[warm] + cool_light
        lit = (light >= least_output * light[-1]) & (light > 0)
        shares = cool_light[lit] / light[lit]
        return float(shares.min()), float(shares.max())

    def _outputs(self, level: FloatArray) -> FloatArray:
        levels, outputs = _table(self)
        return np.interp(level, levels, outputs)

    def _levels(self, output: FloatArray) -> FloatArray:
        levels, outputs = _table(self)
        return np.interp(output, outputs, levels)


@lru_cache(maxsize=64)
def _channels(lamp: WhiteMix) -> tuple[IntArray, IntArray]:
    """Codes of both channels (full_scale + 1,) by the lamp's."""
    warm = (1 - lamp.cool_share) * lamp.most / (1 - lamp.cool_part)
    return _scaled(lamp, warm), _scaled(lamp, lamp.cool_share * lamp.most / lamp.cool_part)


def _scaled(lamp: WhiteMix, gain: float) -> IntArray:
    """The codes nearest in level to every code's output times a gain of 0..1."""
    codes = np.arange(lamp.full_scale + 1)
    if gain >= 1 - 1e-12:
        return codes
    outputs = outputs_of_codes(lamp.base, lamp.full_scale)
    first = np.unique(outputs, return_index=True)[1]
    level = np.interp(outputs * gain, outputs[first], first)
    return np.floor(level + 0.5).astype(np.int64)


@lru_cache(maxsize=64)
def _table(lamp: WhiteMix) -> tuple[FloatArray, FloatArray]:
    """Levels and outputs of the codes that give more than the one before."""
    warm, cool = _channels(lamp)
    of_base = outputs_of_codes(lamp.base, lamp.full_scale)
    light = (1 - lamp.cool_part) * of_base[warm] + lamp.cool_part * of_base[cool]
    outputs, codes = np.unique(np.maximum.accumulate(light), return_index=True)
    return codes / max(lamp.full_scale, 1), outputs / outputs[-1]
