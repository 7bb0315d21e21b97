"""The belief about a studio before any reading: from lamp, modifier, room and rig file.

Every unknown is a standard normal number behind a rising function, so that "as likely above as below" is 0
everywhere, and readings and beliefs weigh in one unit. The spreads are common practice, no source: labels are
most of a stop off, a diffuser's light seems to come from some way behind its face and from less than the
whole of it, and what a room sends back depends on more than its paint.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.belief.forward.dimmer import DimmerPriors
from fillside.photometry.source import LightSources
from fillside.rig.scene.scene import Scene, scene
from fillside.rig.tables.model import CurveTable, Head, Rig

FloatArray = NDArray[np.float64]

INTENSITY, SETBACK, STAND, LIT_SHARE, ROOM, ROOM_X, ROOM_Y, ROOM_Z = range(8)
"""A head's unknowns beside its dimmer: log2 of its intensity in cd, setback [m], how far its stand is from
where the file says, away from the first mark [m], lit share of the diameter [1], the natural logarithm of the
mean of its room light [lux per cd], and the direction of its room light (three numbers)."""
FIGURES = 8
AMBIENT, AMBIENT_X, AMBIENT_Y, AMBIENT_Z, WINDOW_X, WINDOW_Y, WINDOW_Z, WINDOW_AWAY, METER, DOME = range(10)
"""Unknowns that heads share: the natural logarithm of the mean of the light with all heads out [lux], its
direction, what a window adds at the first mark from its direction (three numbers), the logarithm of its
distance, how much more the meter shows than is there, and how much more it does so under its dome [stops]."""
SHARED = 10

INTENSITY_SD_STOPS = 0.65
TAPE_SD_M = 0.03
"""Standard deviation of where a head stands about its place in the file: common practice, no source."""
MOVED_M, CHANGED_STOPS = 0.35, 0.6
"""Standard deviations of how far a moved stand goes, and of how much a changed lamp differs."""
REPLACED_M = 0.04
"""The same of a stand that the rig file has at another place since: two places are off, each by itself."""
METER_SD_STOPS, DOME_SD_STOPS = 0.04, 0.05
"""Standard deviations by which meters differ from one another, and a dome from a flat receptor, which sees
less from the side."""
ROOM_SD, ROOM_SAID_SD, ROOM_UNKNOWN_SD = 0.45, 0.5, 1.2
"""Spreads of the logarithm of a head's room light: by the law of the integrating sphere, by a stated bounce,
and where nothing is known."""
BOUNCE_UNKNOWN, BOUNCE_NONE = 0.05, 0.002
"""Room light as a share of the direct light at the aim, as likely above as below: where nothing is known, and
where the file says none."""
DIRECTION_SD, AMBIENT_DIRECTION_SD = 0.14, 0.15
"""Spreads of the three numbers w of a room light's direction: its vector is 2 m w / sqrt(1 + w^2)."""
WINDOW_LUX, WINDOW_GROWTH = 0.7, 1.7
"""The three numbers of a window are `WINDOW_LUX` sinh(`WINDOW_GROWTH` z): mostly next to nothing, at times
brighter than any lamp."""
WINDOW_AWAY_M, WINDOW_AWAY_SD = 2.2, 0.35
_AMBIENT_LUX, _AMBIENT_SD = 0.1, 2.8
"""The light with all heads out where nothing is stated: next to none is likeliest, a lit room no wonder."""
AMBIENT_STATED_SD, LEAST_AMBIENT_LUX = 0.6, 0.2
"""Spread of the three numbers of the file, as a natural logarithm, and the least that is distinguished."""

_LEAST_SETBACK_M, _SETBACK_BEND_M = 0.0, 0.02
_LEAST_SHARE, _SHARE_BEND = 0.1, 0.05
_SETBACK_M = {"bare": (0.08, 0.12), "panel": (0.12, 0.12), "reflective": (0.2, 0.16), "softbox": (0.18, 0.13)}
_SETBACK_OTHER_M = (0.2, 0.13)
_LIT_SHARE = {"panel": (0.88, 0.12)}
_LIT_SHARE_OTHER = (0.78, 0.15)


@dataclass(frozen=True)
class Prior:
    """The belief about the heads of a rig (n) and the light they share, before any reading.

    Attributes:
        sources: the heads as the rig file states them.
        aims: the points that they are aimed at (n, 3) [m].
        dimmers: their dimmers.
        log2_cd: of the stated intensities (n,).
        setback_m, lit_share: means and standard deviations, each a pair of (n,).
        log_room: natural logarithm of the mean of the room light per candela (n,), and its spread (n,).
        ambient_lux: the mean of the light with all heads out, and the spread of its logarithm.
    """

    sources: LightSources
    aims: FloatArray
    dimmers: DimmerPriors
    log2_cd: FloatArray
    setback_m: tuple[FloatArray, FloatArray]
    lit_share: tuple[FloatArray, FloatArray]
    log_room: tuple[FloatArray, FloatArray]
    ambient_lux: tuple[float, float]

    def setback(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Setbacks of the light behind `position` (n,) [m], by unknowns (n, FIGURES...), and their slopes in
        the unknown SETBACK."""
        mean, sd = self.setback_m
        value, slope = _above(mean + sd * z[:, SETBACK], _LEAST_SETBACK_M, _SETBACK_BEND_M)
        return value, slope * sd

    def share(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Lit share (n,) of the diameters by unknowns (n, FIGURES...), and its slope in LIT_SHARE."""
        mean, sd = self.lit_share
        value, slope = _above(mean + sd * z[:, LIT_SHARE], _LEAST_SHARE, _SHARE_BEND)
        return value, slope * sd

    def unknown_of_setback(self, head: int, setback_m: float) -> float:
        """The unknown SETBACK of a head that stands for a setback [m]."""
        mean, sd = self.setback_m
        return (_unbent(setback_m, _LEAST_SETBACK_M, _SETBACK_BEND_M) - float(mean[head])) / float(sd[head])

    def unknown_of_share(self, head: int, share: float) -> float:
        """The unknown LIT_SHARE of a head that stands for a lit share."""
        mean, sd = self.lit_share
        return (_unbent(share, _LEAST_SHARE, _SHARE_BEND) - float(mean[head])) / float(sd[head])


def _unbent(value: float, least: float, width: float) -> float:
    """The number that `_above` bends to a value, or to a hair above its end."""
    over = max(value - least, 1e-3 * width)
    return least + over - width**2 / (4 * over)


def _above(x: FloatArray, least: float, width: float) -> tuple[FloatArray, FloatArray]:
    """The numbers, bent so that they stay above `least`, and the slope."""
    over = x - least
    root = np.hypot(over, width)
    return least + (over + root) / 2, (1 + over / root) / 2


def prior(rig: Rig) -> Prior:
    """The belief that the rig file, its lamps and its modifiers give."""
    own, heads = scene(rig), rig.heads
    return Prior(
        sources=own.sources,
        aims=own.aims,
        dimmers=DimmerPriors(own.curves, np.array([_is_certain(head) for head in heads], dtype=np.bool_)),
        log2_cd=np.log2(own.sources.intensity_cd),
        setback_m=_pairs([_setback(head) for head in heads]),
        lit_share=_pairs([_LIT_SHARE.get(head.modifier.kind, _LIT_SHARE_OTHER) for head in heads]),
        log_room=_pairs([_room(own, i) for i in range(len(heads))]),
        ambient_lux=_ambient(rig),
    )


def _pairs(values: list[tuple[float, float]]) -> tuple[FloatArray, FloatArray]:
    found = np.array(values).reshape(-1, 2)
    return found[:, 0], found[:, 1]


def _setback(head: Head) -> tuple[float, float]:
    if head.modifier.kind == "bare" and head.modifier.diameter > 0:
        return _SETBACK_OTHER_M
    return _SETBACK_M.get(head.modifier.kind, _SETBACK_OTHER_M)


def _is_certain(head: Head) -> bool:
    dimming = head.dimming
    return isinstance(dimming.curve, CurveTable) or dimming.measured or dimming.fixed


def _room(own: Scene, head: int) -> tuple[float, float]:
    """Logarithm of the mean room light per candela and its spread."""
    stated = own.rig.heads[head].bounce
    mean = float(own.sources.room_mean_lux[head]) / float(own.sources.intensity_cd[head])
    if mean > 0:
        return math.log(mean), ROOM_SD if stated is None else ROOM_SAID_SD
    share = BOUNCE_UNKNOWN if stated is None else BOUNCE_NONE
    away = np.linalg.norm(own.aims[head] - own.sources.position[head])
    return math.log(share / float(away) ** 2), ROOM_UNKNOWN_SD


def _ambient(rig: Rig) -> tuple[float, float]:
    if not rig.ambient.given:
        return _AMBIENT_LUX, _AMBIENT_SD
    return max(float(np.mean(rig.ambient_toward)), LEAST_AMBIENT_LUX), _AMBIENT_SD
