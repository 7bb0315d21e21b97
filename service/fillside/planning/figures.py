"""Lengths as people read them off a tape: metric, or feet and inches."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

INCH_M = 0.0254
"""One inch in metres, exact by the agreement of 1959."""
EIGHTHS = {0: "", 1: "⅛", 2: "¼", 3: "⅜", 4: "½", 5: "⅝", 6: "¾", 7: "⅞"}


@dataclass(frozen=True)
class Lengths:
    """Writes lengths in metres and millimetres, or with `feet` in feet and inches."""

    feet: bool = False

    def long(self, metres: float) -> str:
        """A distance to the centimetre, or to the half inch.

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
        """A small length to the millimetre, or to the eighth of an inch.

        >>> Lengths().short(0.01397), Lengths(feet=True).short(0.01397)
        ('14 mm', '½″')
        """
        if not self.feet:
            return f"{1000 * metres:.0f} mm"
        whole, eighths = divmod(round(metres / INCH_M * 8), 8)
        number = f"{whole or ''}{EIGHTHS[eighths]}"
        return f"{number or '0'}″"

    def place(self, point: Iterable[float]) -> str:
        """A place, its three lengths.

        >>> Lengths().place((0.6, -0.3, 1.25))
        '0.60, -0.30, 1.25 m'
        """
        if self.feet:
            return ", ".join(self.long(part) for part in point)
        return ", ".join(f"{round(part, 2) + 0.0:.2f}" for part in point) + " m"
