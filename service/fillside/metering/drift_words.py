"""What is told of a head's drift, as data and in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fillside.calibration.result.expanded import expanded

SEEN_STOPS = 0.1
"""A smaller drift does not break the promised ratio."""


@dataclass(frozen=True)
class HeadDrift:
    """A head's drift and standard uncertainty [stops], None where nothing was told since the start; what is
    still to come of its warming up; what is corrected; and when it was told (Unix time)."""

    head: str
    off_stops: float | None
    sigma_stops: float | None
    to_come_stops: float | None
    corrected_stops: float
    at: float | None

    @property
    def is_off(self) -> bool:
        """Whether it is off by more than can be overlooked and more than chance makes of it."""
        if self.off_stops is None or self.sigma_stops is None:
            return False
        return abs(self.off_stops) > max(SEEN_STOPS, expanded(self.sigma_stops))

    @property
    def says(self) -> str:
        """What the head is, in a word or two."""
        if self.to_come_stops is not None:
            return "warming up"
        if self.off_stops is None:
            return "not told"
        return "changed" if self.is_off else "steady"

    @property
    def words(self) -> str:
        """The drift in a few words, with its expanded uncertainty."""
        if self.off_stops is None or self.sigma_stops is None:
            return f"{self.head} was not read since the start"
        less = "less" if self.off_stops < 0 else "more"
        return (
            f"{self.head} gives {abs(self.off_stops):.2f} ±{expanded(self.sigma_stops):.2f} stop {less} "
            "than calibrated"
        )

    def as_data(self) -> dict[str, Any]:
        """The same, JSON-able."""
        return {
            "head": self.head,
            "off_stops": None if self.off_stops is None else round(self.off_stops, 3),
            "sigma_stops": None if self.sigma_stops is None else round(self.sigma_stops, 3),
            "says": self.says,
            "corrected_stops": round(self.corrected_stops, 3),
            "at": self.at,
        }


def note_on(told: HeadDrift) -> str:
    """A line for people on a head that warms up or is off; nothing where all is well."""
    if told.to_come_stops is not None:
        return f"{told.head} is still warming up: about {abs(told.to_come_stops):.1f} stop to come"
    if not told.is_off:
        return ""
    if abs(told.corrected_stops) >= 0.005:
        undone = f"; the balance makes up for {abs(told.corrected_stops):.2f} stop of it"
    else:
        undone = ""
    return f"{told.words}{undone}; line up to see whether the lamp or the stand changed"
