"""How far each head has drifted since it was calibrated: readings of one head or of many, weighed together.

Theory. A Kalman filter [Kalman, J. Basic Engineering 82, 1960] over unknowns in stops: of the room's light
and of a sensor at the subject how far each is off, and of each head its drift and what its calibration was
unsure of. The last is there from the start and does not average out with more readings; a drift wanders, as a
random walk; how far the room is off is forgotten by and by. A reading is linearised by each head's share of
the light, so that what several heads show together is shared out by how much each adds and how much is
believed of it (JCGM 100:2008, 5.1.2 and 5.2.2). Nothing here knows a clock; times are Unix times [s].
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from fillside.belief.observations import DARK_LUX

FloatArray = NDArray[np.float64]

PRIOR_STOPS = 0.3
"""How far lamps are wont to have drifted, as a standard deviation; common practice, no source."""
WALK_STOPS = 0.01
"""How far a drift wanders in an hour; common practice, no source."""
ROOM_STOPS, ROOM_HOURS = 0.3, 3.0
"""How far the room's light is off, and the time in which that is forgotten; common practice, no source."""
NO_PART = 0.01
"""A head with a smaller share of the light is not told of by a reading, and only makes it less sure."""
JUMP_SIGMAS = 3.0
"""A reading farther off than that tells of a lamp that has become another, whose drift may be any."""
_ROOM, _SENSOR, _FIRST = 0, 1, 2


@dataclass(frozen=True)
class Row:
    """A reading linearised: `off_stops` is the sum of shares times unknowns, known to `sigma_stops`.

    `heads` and `shares` (k,) say which heads are in it and by how much of the light, `room_share` the room's;
    `by_sensor` whether the sensor at the subject gave it.
    """

    heads: tuple[str, ...]
    shares: tuple[float, ...]
    room_share: float
    off_stops: float
    sigma_stops: float
    by_sensor: bool = False


@dataclass(frozen=True)
class Drifts:
    """What is believed at a time: mean and covariance of the unknowns [stops].

    They are the room's and the sensor's, then drift and calibration error of each of `names`.
    """

    names: tuple[str, ...]
    mean: FloatArray
    covariance: FloatArray
    at_s: float

    @classmethod
    def unread(cls, sensor_sd_stops: float, at_s: float) -> Self:
        """Nothing is told yet; `sensor_sd_stops` is how far a sensor at the subject may be off."""
        return cls((), np.zeros(_FIRST), np.diag([ROOM_STOPS**2, sensor_sd_stops**2]), at_s)

    def knowing(self, calibrated_sd: Mapping[str, float]) -> Self:
        """With these heads too; of each how unsure its calibration was [stops]."""
        new = {name: sd for name, sd in calibrated_sd.items() if name not in self.names}
        if not new:
            return self
        size, more = len(self.mean), 2 * len(new)
        covariance = np.zeros((size + more, size + more))
        covariance[:size, :size] = self.covariance
        variances = [v for sd in new.values() for v in (PRIOR_STOPS**2, sd**2)]
        covariance[size:, size:] = np.diag(variances)
        mean = np.concatenate([self.mean, np.zeros(more)])
        return replace(self, names=(*self.names, *new), mean=mean, covariance=covariance)

    def without(self, heads: Collection[str]) -> Self:
        """Nothing is known of these heads any more: they were calibrated anew, or are gone."""
        left = tuple(name for name in self.names if name not in heads)
        kept = [_ROOM, _SENSOR, *(i for name in left for i in (self._drift(name), self._drift(name) + 1))]
        return replace(self, names=left, mean=self.mean[kept], covariance=self.covariance[np.ix_(kept, kept)])

    def with_sensor(self, sd_stops: float) -> Self:
        """With another sensor at the subject, of which nothing is known but how far it may be off."""
        covariance = self.covariance.copy()
        covariance[_SENSOR], covariance[:, _SENSOR] = 0.0, 0.0
        covariance[_SENSOR, _SENSOR] = sd_stops**2
        mean = self.mean.copy()
        mean[_SENSOR] = 0.0
        return replace(self, mean=mean, covariance=covariance)

    def later(self, at_s: float) -> Self:
        """At a later time; before the present one nothing changes."""
        hours = max(at_s - self.at_s, 0.0) / 3600
        kept, walk = np.ones(len(self.mean)), np.zeros(len(self.mean))
        kept[_ROOM] = math.exp(-hours / ROOM_HOURS)
        walk[_ROOM] = ROOM_STOPS**2 * -math.expm1(-2 * hours / ROOM_HOURS)
        walk[_FIRST::2] = WALK_STOPS**2 * hours
        covariance = self.covariance * np.outer(kept, kept) + np.diag(walk)
        return replace(self, mean=self.mean * kept, covariance=covariance, at_s=max(at_s, self.at_s))

    def loosened(self, heads: Collection[str], sd_stops: float = PRIOR_STOPS) -> Self:
        """The drift of these heads may have changed by so much at once."""
        more = np.zeros(len(self.mean))
        more[[self._drift(name) for name in heads]] = sd_stops**2
        return replace(self, covariance=self.covariance + np.diag(more))

    def after(self, row: Row) -> Self:
        """With a reading taken in; ValueError for one of a head that is not known."""
        slopes, spread, unexpected = self._seen(row)
        gain = self.covariance @ slopes / spread
        rest = np.eye(len(slopes)) - np.outer(gain, slopes)
        covariance = rest @ self.covariance @ rest.T + row.sigma_stops**2 * np.outer(gain, gain)
        return replace(self, mean=self.mean + gain * unexpected, covariance=covariance)

    def heard(self, row: Row) -> Self:
        """With a reading taken in that may tell of a lamp that became another all at once."""
        _, spread, unexpected = self._seen(row)
        jumped = abs(unexpected) > JUMP_SIGMAS * math.sqrt(spread)
        return (self.loosened(row.heads) if jumped else self).after(row)

    def off(self, head: str) -> tuple[float, float]:
        """A head's drift and its standard uncertainty [stops]; ValueError for one that is not known."""
        i = self._drift(head)
        return float(self.mean[i]), math.sqrt(max(float(self.covariance[i, i]), 0.0))

    def believed_stops(self, head: str) -> float:
        """What a head is off by against its calibration's light [stops], error of that counted."""
        if head not in self.names:
            return 0.0
        i = self._drift(head)
        return float(self.mean[i] + self.mean[i + 1])

    @property
    def room_stops(self) -> float:
        """How far the room's light is off [stops]."""
        return float(self.mean[_ROOM])

    def _drift(self, head: str) -> int:
        return _FIRST + 2 * self.names.index(head)

    def _seen(self, row: Row) -> tuple[FloatArray, float, float]:
        """Slopes of a reading in the unknowns, its variance, and how far it is from what is believed."""
        slopes = np.zeros(len(self.mean))
        slopes[_ROOM], slopes[_SENSOR] = row.room_share, float(row.by_sensor)
        for head, share in zip(row.heads, row.shares, strict=True):
            i = self._drift(head)
            slopes[i] = slopes[i + 1] = share
        spread = float(slopes @ self.covariance @ slopes) + row.sigma_stops**2
        return slopes, spread, row.off_stops - float(slopes @ self.mean)


def row_of(
    drifts: Drifts,
    seen_lux: float,
    heads_lux: Mapping[str, float],
    room_lux: float,
    sigma_stops: float,
    by_sensor: bool = False,
) -> Row:
    """A reading linearised about what is believed.

    `heads_lux` and `room_lux` are what each head and the room add to it by the calibration [lux].

    >>> row = row_of(Drifts.unread(0.1, 0.0), 99.7, {"key": 99.7, "fill": 99.7}, 0.0, 0.05)
    >>> row.heads, [round(share, 2) for share in row.shares], round(row.off_stops, 2)
    (('key', 'fill'), [0.5, 0.5], -1.0)
    """
    room = room_lux * 2.0**drifts.room_stops
    lux = {head: own * 2.0 ** drifts.believed_stops(head) for head, own in heads_lux.items()}
    total = sum(lux.values()) + room + DARK_LUX
    shares = {head: own / total for head, own in lux.items()}
    parts = {head: share for head, share in shares.items() if share >= NO_PART}
    unheard = PRIOR_STOPS * math.hypot(*(share for head, share in shares.items() if head not in parts))
    unexpected = math.log2((seen_lux + DARK_LUX) / total)
    believed = sum(share * drifts.believed_stops(head) for head, share in parts.items())
    return Row(
        heads=tuple(parts),
        shares=tuple(parts.values()),
        room_share=room / total,
        off_stops=unexpected + believed + room / total * drifts.room_stops,
        sigma_stops=math.hypot(sigma_stops, unheard),
        by_sensor=by_sensor,
    )
