"""A lamp with a warm and a cool channel, dimmed by one code at a constant colour.

One code drives the whole lamp, as it does any other lamp. The output of a code is that of the two rounded
channel codes, so that joint rounding of several heads uses the light that is really emitted.
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
    """Return the most light of a mix, relative to both channels at full.

    One channel is at full, the other as high as the mix allows.

    Parameters:
        cool_part: the cool channel's share of the light with both channels at full, 0..1.
        cool_share: the cool channel's share of the light in the mix, 0..1.

    Returns:
        A fraction above 0; 1 if the mix is that of both channels at full.

    >>> most_light(0.5, 0.5), most_light(0.5, 0.25), most_light(0.5, 0.0)
    (1.0, 0.6666666666666666, 0.5)
    """
    warm = (1 - cool_part) / (1 - cool_share) if cool_share < 1 else 1.0
    return min(warm, cool_part / cool_share if cool_share > 0 else 1.0)


@dataclass(frozen=True)
class WhiteMix(DimmingCurve):
    """The dimming curve of a lamp with a warm and a cool channel at one mix of both.

    Output 1 is the most light the mix can give. The outputs of codes are exact; between codes the curve is
    linear.

    Attributes:
        base: dimming curve of each channel.
        full_scale: code of full level of each channel.
        cool_part: the cool channel's share of the light with both channels at full, between 0 and 1.
        cool_share: the cool channel's share of the light in the mix, 0..1.
    """

    base: DimmingCurve
    full_scale: int
    cool_part: float
    cool_share: float

    @property
    def most(self) -> float:
        """The light at output 1, relative to both channels at full."""
        return most_light(self.cool_part, self.cool_share)

    def channel_codes(self, code: int) -> tuple[int, int]:
        """Return the codes of the warm and the cool channel for a code of the lamp.

        >>> from fillside.photometry.dimming import Linear
        >>> WhiteMix(Linear(), 255, 0.5, 0.25).channel_codes(200)
        (200, 67)
        """
        warm, cool = _channels(self)
        return int(warm[code]), int(cool[code])

    def cool_shares(self, least_output: float) -> tuple[float, float]:
        """Return the range of the cool share, after rounding, over all codes of at least an output."""
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
    """Return the codes of both channels (full_scale + 1,) for each code of the lamp."""
    warm = (1 - lamp.cool_share) * lamp.most / (1 - lamp.cool_part)
    return _scaled(lamp, warm), _scaled(lamp, lamp.cool_share * lamp.most / lamp.cool_part)


def _scaled(lamp: WhiteMix, gain: float) -> IntArray:
    """Return the code nearest in level to each code's output times a gain of 0..1."""
    codes = np.arange(lamp.full_scale + 1)
    if gain >= 1 - 1e-12:
        return codes
    outputs = outputs_of_codes(lamp.base, lamp.full_scale)
    first = np.unique(outputs, return_index=True)[1]
    level = np.interp(outputs * gain, outputs[first], first)
    return np.floor(level + 0.5).astype(np.int64)


@lru_cache(maxsize=64)
def _table(lamp: WhiteMix) -> tuple[FloatArray, FloatArray]:
    """Return levels and outputs of the codes that give more light than the code before."""
    warm, cool = _channels(lamp)
    of_base = outputs_of_codes(lamp.base, lamp.full_scale)
    light = (1 - lamp.cool_part) * of_base[warm] + lamp.cool_part * of_base[cool]
    outputs, codes = np.unique(np.maximum.accumulate(light), return_index=True)
    return codes / max(lamp.full_scale, 1), outputs / outputs[-1]
