"""The base of all planning answers, and lengths, f-stops and angles in the form people read them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from pydantic import BaseModel, ConfigDict

from fillside.photometry.exposure import aperture_from_lux


class PlanningAnswer(BaseModel):
    """A frozen answer whose fields carry units; missing values are None, never NaN or infinity."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False, extra="forbid")


INCH_M = 0.0254
"""One inch in metres, exact by the agreement of 1959."""
EIGHTHS = {0: "", 1: "⅛", 2: "¼", 3: "⅜", 4: "½", 5: "⅝", 6: "¾", 7: "⅞"}


@dataclass(frozen=True)
class Lengths:
    """Formats lengths in metres and millimetres, or with `feet` in feet and inches."""

    feet: bool = False

    def long(self, metres: float) -> str:
        """Format a distance [m] to the centimetre, or to the half inch.

        >>> Lengths().long(1.934), Lengths(feet=True).long(1.934), Lengths(feet=True).long(-0.4)
        ('1.93 m', '6′ 4″', '-1′ 3½″')
        """
        if not self.feet:
            return f"{round(metres, 2) + 0.0:.2f} m"
        halves = round(abs(metres) / INCH_M * 2)
        feet, rest = divmod(halves, 24)
        sign = "-" if metres < 0 and halves else ""
        return f"{sign}{feet}′ {rest // 2}{EIGHTHS[rest % 2 * 4]}″"

    def short(self, metres: float) -> str:
        """Format a small length [m] to the millimetre, or to the eighth of an inch.

        >>> Lengths().short(0.01397), Lengths(feet=True).short(0.01397)
        ('14 mm', '½″')
        """
        if not self.feet:
            return f"{1000 * metres:.0f} mm"
        whole, eighths = divmod(round(metres / INCH_M * 8), 8)
        number = f"{whole or ''}{EIGHTHS[eighths]}"
        return f"{number or '0'}″"

    def place(self, point: Iterable[float]) -> str:
        """Format the three coordinates of a place [m].

        >>> Lengths().place((0.6, -0.3, 1.25))
        '0.60, -0.30, 1.25 m'
        """
        if self.feet:
            return ", ".join(self.long(part) for part in point)
        return ", ".join(f"{round(part, 2) + 0.0:.2f}" for part in point) + " m"


FULL_STOPS = ("0.7", "1", "1.4", "2", "2.8", "4", "5.6", "8", "11", "16", "22", "32", "45", "64")
"""Names of the full stops of ISO 517, from 2^(-1/2) on."""


def f_stop_text(lux: float, constant: float, iso: float, time_s: float) -> str | None:
    """Return the f-stop with tenths that a meter shows, or None outside f/0.7 to f/64.

    `lux` is the illuminance [lux], `constant` the meter's C, `iso` the film speed and `time_s` the exposure
    time [s]. Tenths count upward from the full stop below, as meters show them (common practice, no source).

    >>> f_stop_text(1000.0, 250.0, 400.0, 1 / 50), f_stop_text(600.0, 250.0, 400.0, 1 / 50)
    ('f/5.6', 'f/4+0.3')
    """
    if lux <= 0:
        return None
    tenths = round(20 * math.log2(aperture_from_lux(lux, constant, time_s, iso))) + 10
    stop, rest = divmod(tenths, 10)
    if not 0 <= stop < len(FULL_STOPS):
        return None
    return f"f/{FULL_STOPS[stop]}" + (f"+0.{rest}" if rest else "")


def degrees_text(angle_deg: float) -> str:
    """Return an angle [degrees] in words, to the whole degree.

    >>> degrees_text(1.3), degrees_text(0.2), degrees_text(12.0)
    ('1 degree', '0 degrees', '12 degrees')
    """
    whole = round(angle_deg)
    return "1 degree" if whole == 1 else f"{whole} degrees"
