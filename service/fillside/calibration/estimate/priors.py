"""What is believed of a studio before any reading: from the lamp, the modifier and the rig file.

Every unknown of a head is a standard normal number behind a rising function, so that "as likely above as
below" is 0 everywhere, and readings and beliefs weigh in one unit. The spreads are common practice, no
source: labels are most of a stop off, and a diffuser's light seems to come from some way behind its face
and from less than the whole of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.photometry.dimming import DimmingCurve
from fillside.photometry.source import LightSources
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import CurveTable, Head, Rig

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

INTENSITY, SETBACK, LIT_SHARE, BOUNCE, EXPONENT, DEAD_ZONE, FULL_SHORT, LIT_FLOOR = range(8)
"""A head's unknowns: log2 of its intensity in cd, setback [m], lit share of the diameter [1], bounce [1], and
of its dimmer the exponent [1], the dead zone [level], how far below level 1 it is full [level], and the
output with which its light sets in [1]."""
FIGURES = 8
_IN_LOGARITHM = [BOUNCE, LIT_FLOOR]
"""Figures believed in by their natural logarithm: mostly next to nothing, at times a lot."""

POWER, LOGARITHMIC, LIGHTNESS = range(3)
"""Families of dimmers: a power of the level, IEC 62386-102, CIE 1976 lightness."""
_STATED_FAMILY = {"log": LOGARITHMIC, "lightness": LIGHTNESS}
USUAL_EXPONENT = 2.0
"""Exponent of the square law, and at which the other two families are as their standards have them."""
_STATED_EXPONENT = {"linear": (1.0, 0.7), "log": (2.0, 0.9)}
_OTHER_EXPONENT = (USUAL_EXPONENT, 0.7)
"""Exponents by their labels, and how far they are believed to stray. Most labels are right and some are
another law's: the interval of lamps metered at one level alone is to hold the square law behind "linear" or
"log" and the reverse. Readings at two levels tell the exponent to about a tenth."""
WRONG_TOGETHER = 0.6
"""Correlation of what is not known of the exponents of two heads: lamps of one make have one wrong label. It
counts for how sure a light is, never for what is believed of a head by readings of another."""
_DEAD_ZONE, _FULL_SHORT = (0.022, 0.022), (0.03, 0.03)
_EXACT_END = (0.0, 0.02)
"""Means and spreads of what a dimmer loses at its ends; one that is labelled with a standard's curve for
digital gear is taken to lose next to nothing."""
INTENSITY_SD_STOPS = 0.8
_BOUNCE_UNSAID, _BOUNCE_UNSAID_SD, _BOUNCE_SAID_SD = 0.004, 2.2, 0.5
"""Bounce as likely above as below where the file says none, and spreads of its natural logarithm."""
_LIT_FLOOR, _LIT_FLOOR_SD = 0.0005, 1.8
_LEAST = np.array([-np.inf, 0.0, 0.1, -np.inf, 0.2, 0.0, 0.0, -np.inf])
_WIDTH = np.array([1.0, 0.02, 0.05, 1.0, 0.1, 0.006, 0.006, 1.0])
"""Where each figure ends below, and over which width it bends away from that end."""
_FARTHEST_SD = 6.0
"""No figure, of whatever origin, is taken to lie farther out than this."""

_SETBACK_M = {"bare": (0.08, 0.12), "panel": (0.12, 0.12), "reflective": (0.2, 0.16), "softbox": (0.18, 0.13)}
_SETBACK_OTHER_M = (0.2, 0.13)
_LIT_SHARE = {"panel": (0.88, 0.12)}
_LIT_SHARE_OTHER = (0.78, 0.15)


@dataclass(frozen=True)
class Beliefs:
    """Per head of the rig (n): mean and spread of its figures (n, 8), its place and form, and its dimmer.

    Bounce and lit floor are in their natural logarithms.

    `certain_curves` has the curve of a head whose file gives a table or says it is measured, or which cannot
    be dimmed; None where the curve is to be found. `stated_curves` are those of the file. `families` (n,) are
    the stated ones; the belief of a dimmer begins there.
    """

    names: tuple[str, ...]
    mean: FloatArray
    sd: FloatArray
    sources: LightSources
    certain_curves: tuple[DimmingCurve | None, ...]
    stated_curves: tuple[DimmingCurve, ...]
    families: IntArray

    @property
    def says_log(self) -> BoolArray:
        """Which heads are labelled logarithmic."""
        return np.asarray(self.families == LOGARITHMIC)

    def figures(self, z: FloatArray) -> FloatArray:
        """The figures (n, 8) that standard normal numbers (n, 8) stand for."""
        figures = _above(self.mean + self.sd * z)
        figures[:, _IN_LOGARITHM] = np.exp(np.clip(figures[:, _IN_LOGARITHM], -20.0, -0.1))
        return figures

    def standard(self, figures: FloatArray) -> FloatArray:
        """The standard normal numbers (n, 8) that stand for figures (n, 8), the reverse of `figures`."""
        found = figures.copy()
        found[:, _IN_LOGARITHM] = np.log(np.maximum(found[:, _IN_LOGARITHM], 1e-9))
        ends = np.isfinite(_LEAST)
        over = np.maximum(found - np.where(ends, _LEAST, 0.0), 1e-3 * _WIDTH)
        found = np.where(ends, _LEAST + over - _WIDTH**2 / (4 * over), found)
        return np.asarray(np.clip((found - self.mean) / self.sd, -_FARTHEST_SD, _FARTHEST_SD))

    def slopes(self, z: FloatArray) -> FloatArray:
        """d figure / d z (n, 8)."""
        slopes = self.sd * _above_slope(self.mean + self.sd * z)
        slopes[:, _IN_LOGARITHM] *= self.figures(z)[:, _IN_LOGARITHM]
        return slopes


def _above(x: FloatArray) -> FloatArray:
    """The numbers, bent so that they stay above where each figure ends."""
    over = np.where(np.isfinite(_LEAST), x - _LEAST, 0.0)
    return np.where(np.isfinite(_LEAST), _LEAST + (over + np.hypot(over, _WIDTH)) / 2, x)


def _above_slope(x: FloatArray) -> FloatArray:
    over = np.where(np.isfinite(_LEAST), x - _LEAST, 0.0)
    return np.where(np.isfinite(_LEAST), (1 + over / np.hypot(over, _WIDTH)) / 2, 1.0)


def beliefs(rig: Rig) -> Beliefs:
    """What the rig file, its lamps and its modifiers let one believe."""
    heads, own = rig.heads, scene(rig)
    figures = [_head(head, float(cd)) for head, cd in zip(heads, own.sources.intensity_cd, strict=True)]
    return Beliefs(
        names=own.names,
        mean=np.array([[mean for mean, _ in head] for head in figures]),
        sd=np.array([[sd for _, sd in head] for head in figures]),
        sources=own.sources,
        certain_curves=tuple(
            shape if _is_certain(head) else None for head, shape in zip(heads, own.curves, strict=True)
        ),
        stated_curves=own.curves,
        families=np.array([_STATED_FAMILY.get(_label(head), POWER) for head in heads], dtype=np.intp),
    )


def _head(head: Head, intensity_cd: float) -> tuple[tuple[float, float], ...]:
    kind = head.modifier.kind if head.modifier.diameter > 0 or head.modifier.kind != "bare" else "bare"
    setback = _SETBACK_OTHER_M if kind == "bare" and head.modifier.diameter > 0 else None
    return (
        (math.log2(intensity_cd), INTENSITY_SD_STOPS),
        setback or _SETBACK_M.get(kind, _SETBACK_OTHER_M),
        _LIT_SHARE.get(kind, _LIT_SHARE_OTHER),
        (math.log(head.bounce or _BOUNCE_UNSAID), _BOUNCE_SAID_SD if head.bounce else _BOUNCE_UNSAID_SD),
        _STATED_EXPONENT.get(_label(head), _OTHER_EXPONENT),
        _EXACT_END if _label(head) == "log" else _DEAD_ZONE,
        _EXACT_END if _label(head) == "log" else _FULL_SHORT,
        (math.log(_LIT_FLOOR), _LIT_FLOOR_SD),
    )


def _label(head: Head) -> str:
    curve = head.dimming.curve
    return curve if isinstance(curve, str) else ""


def _is_certain(head: Head) -> bool:
    dimming = head.dimming
    return isinstance(dimming.curve, CurveTable) or dimming.measured or dimming.fixed


@dataclass(frozen=True)
class AmbientBelief:
    """Lux toward key, fill and camera, as likely above as below, and the spreads of its natural logarithm: of
    the light as a whole, and between directions."""

    toward: tuple[float, float, float]
    whole_sd: float
    sides_sd: float


_LEAST_LUX = 0.5
_UNREAD_SDS = (2.4, 0.4)
"""Spreads where nothing is stated: next to none is likeliest, and a lit room of 60 lux no wonder."""


def ambient_belief(rig: Rig) -> AmbientBelief:
    """The light with all heads out, as the rig file states it or as a darkened room has it."""
    if not rig.ambient.given:
        return AmbientBelief((_LEAST_LUX,) * 3, *_UNREAD_SDS)
    key, fill, camera = (max(lux, _LEAST_LUX) for lux in rig.ambient_toward)
    return AmbientBelief((key, fill, camera), 0.25, 0.15)
