"""A page as a list of strokes, areas and words in millimetres; what draws it knows nothing of light.

Millimetres from the lower left corner of the paper, so that a scale is true when printed at full size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

Spot = tuple[float, float]

GRAPHITE, CHALK, FAINT, PAPER = "#22211f", "#9c3b22", "#9a968c", "#ffffff"
"""Ink of things, of measures, of what is beside the point, and of the paper."""

THIN, FINE, PLAIN, BOLD = 0.12, 0.18, 0.3, 0.6
"""Widths of strokes, in mm."""

POINT_MM = 25.4 / 72

Dash = Literal["solid", "dashed", "chain", "dotted"]
Side = Literal["left", "center", "right"]
Height = Literal["bottom", "center", "top", "baseline"]


@dataclass(frozen=True)
class Stroke:
    spots: tuple[Spot, ...]
    width_mm: float = FINE
    ink: str = GRAPHITE
    dash: Dash = "solid"


@dataclass(frozen=True)
class Area:
    spots: tuple[Spot, ...]
    ink: str = GRAPHITE
    edge: str | None = None
    width_mm: float = FINE


@dataclass(frozen=True)
class Words:
    spot: Spot
    text: str
    size_pt: float = 8.0
    ink: str = GRAPHITE
    side: Side = "left"
    height: Height = "baseline"
    turn_deg: float = 0.0
    bold: bool = False
    backed: bool = False


Mark = Stroke | Area | Words


@dataclass
class Page:
    """A sheet of paper and what is on it, in the order in which it is drawn."""

    width_mm: float
    height_mm: float
    marks: list[Mark] = field(default_factory=list)

    def stroke(
        self, spots: Sequence[Spot], width_mm: float = FINE, ink: str = GRAPHITE, dash: Dash = "solid"
    ) -> None:
        self.marks.append(Stroke(tuple(spots), width_mm, ink, dash))

    def area(self, spots: Sequence[Spot], ink: str, edge: str | None = None, width_mm: float = FINE) -> None:
        self.marks.append(Area(tuple(spots), ink, edge, width_mm))

    def write(self, spot: Spot, text: str, **how: object) -> None:
        self.marks.append(Words(spot, text, **how))  # type: ignore[arg-type]

    @property
    def words(self) -> list[str]:
        """All that is written, in order."""
        return [mark.text for mark in self.marks if isinstance(mark, Words)]
