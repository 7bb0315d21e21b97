"""A page as a list of strokes, areas and text in millimetres, and the space that text takes.

Coordinates are millimetres from the lower left corner of the paper, so a scale is true when printed at full
size. Text widths are those of the typeface used for drawing, so that closely set text does not touch.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

PagePoint = tuple[float, float]

GRAPHITE, CHALK, FAINT, PAPER = "#22211f", "#9c3b22", "#9a968c", "#ffffff"
"""Ink of objects, of measures, of secondary things, and of the paper."""

THIN, FINE, PLAIN, BOLD = 0.12, 0.18, 0.3, 0.6
"""Widths of strokes, in mm."""

POINT_MM = 25.4 / 72

Dash = Literal["solid", "dashed", "chain", "dotted"]
HorizontalAlign = Literal["left", "center", "right"]
VerticalAlign = Literal["bottom", "center", "top", "baseline"]


@dataclass(frozen=True)
class Stroke:
    points: tuple[PagePoint, ...]
    width_mm: float = FINE
    ink: str = GRAPHITE
    dash: Dash = "solid"


@dataclass(frozen=True)
class Area:
    points: tuple[PagePoint, ...]
    ink: str = GRAPHITE
    edge: str | None = None
    width_mm: float = FINE


@dataclass(frozen=True)
class PageText:
    point: PagePoint
    text: str
    size_pt: float = 8.0
    ink: str = GRAPHITE
    align: HorizontalAlign = "left"
    valign: VerticalAlign = "baseline"
    rotation_deg: float = 0.0
    bold: bool = False
    backing: bool = False


PageItem = Stroke | Area | PageText


@dataclass
class SheetPage:
    """A sheet of paper and the items on it, in drawing order."""

    width_mm: float
    height_mm: float
    items: list[PageItem] = field(default_factory=list)

    def stroke(
        self, points: Sequence[PagePoint], width_mm: float = FINE, ink: str = GRAPHITE, dash: Dash = "solid"
    ) -> None:
        self.items.append(Stroke(tuple(points), width_mm, ink, dash))

    def area(
        self, points: Sequence[PagePoint], ink: str, edge: str | None = None, width_mm: float = FINE
    ) -> None:
        self.items.append(Area(tuple(points), ink, edge, width_mm))

    def write(
        self,
        point: PagePoint,
        text: str,
        size_pt: float = 8.0,
        ink: str = GRAPHITE,
        *,
        align: HorizontalAlign = "left",
        valign: VerticalAlign = "baseline",
        bold: bool = False,
    ) -> None:
        self.items.append(PageText(point, text, size_pt, ink, align, valign, bold=bold))

    @property
    def words(self) -> list[str]:
        """All text on the page, in drawing order."""
        return [mark.text for mark in self.items if isinstance(mark, PageText)]


TYPE_PT = 8.0
"""Smallest type on a sheet, which is read at arm's length, beside a stand, in little light."""

_PLAIN = {
    0.23: "′", 0.27: "'", 0.28: "ijl", 0.29: "IJ", 0.32: " ,.·", 0.34: '/:;\\|', 0.35: "f", 0.36: "-",
    0.37: "″", 0.39: "()[]t", 0.40: "!", 0.41: "r", 0.46: '"', 0.50: "*_`°–", 0.52: "sz", 0.53: "?",
    0.55: "c", 0.56: "L", 0.58: "Fk", 0.59: "vxy", 0.60: "P", 0.61: "TYao", 0.62: "e",
    0.63: "ESbdghnpqu", 0.64: "$0123456789{}", 0.66: "K", 0.68: "AV", 0.69: "BRXZ", 0.70: "C",
    0.73: "U", 0.75: "HN", 0.77: "DG", 0.78: "&", 0.79: "OQ", 0.82: "w", 0.84: "#+<=>^~±×−", 0.86: "M",
    0.95: "%", 0.97: "m½⅛¼⅜⅝¾⅞", 0.99: "W", 1.00: "@",
}  # fmt: skip
_BOLD = {
    0.26: "′", 0.31: "'", 0.34: "ijl", 0.35: " ", 0.37: '/IJ\\|', 0.38: ",.·", 0.40: ":;", 0.42: "-",
    0.44: "f", 0.45: "″", 0.46: "!()[]", 0.48: "t", 0.49: "r", 0.50: "_`°–", 0.52: '"*', 0.58: "?z",
    0.59: "c", 0.60: "s", 0.64: "L", 0.65: "vxy", 0.67: "ak", 0.68: "EFTe", 0.69: "o",
    0.70: "$0123456789", 0.71: "hnu{}", 0.72: "SYbdgpq", 0.73: "CPZ", 0.76: "B", 0.77: "AKRVX",
    0.81: "U", 0.82: "G", 0.83: "D", 0.84: "#+<=>HN^~±×−", 0.85: "OQ", 0.87: "&", 0.92: "w",
    1.00: "%@M", 1.04: "m½⅛¼⅜⅝¾⅞", 1.10: "W",
}  # fmt: skip
_WIDEST = 1.1
_WIDTHS = [{letter: em for em, several in face.items() for letter in several} for face in (_PLAIN, _BOLD)]
"""Advance widths of DejaVu Sans and its bold over the size of the type, to a hundredth."""
ASCENT, DESCENT = 0.76, 0.24
"""Heights above and below the baseline (top of an l, foot of a p) over the size of the type."""
_FOOT = {"baseline": -DESCENT, "bottom": 0.0, "center": -(ASCENT + DESCENT) / 2, "top": -(ASCENT + DESCENT)}
_START = {"left": 0.0, "center": -0.5, "right": -1.0}


def text_width_mm(text: str, size_pt: float = TYPE_PT, *, bold: bool = False) -> float:
    """Return the width [mm] of a line of text; letters of other scripts count as wide."""
    widths = _WIDTHS[bold]
    return sum(widths.get(letter, _WIDEST) for letter in text) * size_pt * POINT_MM


def wrap_text(text: str, width_mm: float, size_pt: float = TYPE_PT, *, bold: bool = False) -> list[str]:
    """Break a text into lines of at most this width [mm]; a word that is wider alone is broken too."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if text_width_mm(longer, size_pt, bold=bold) <= width_mm:
            line = longer
            continue
        lines += [line] if line else []
        *whole, line = _parts(word, width_mm, size_pt, bold)
        lines += whole
    return [*lines, line]


def _parts(word: str, width_mm: float, size_pt: float, bold: bool) -> list[str]:
    """Split a word into as few parts as its width needs, after hyphens where it has some."""
    parts = [""]
    for letter in word:
        if parts[-1] and text_width_mm(parts[-1] + letter, size_pt, bold=bold) > width_mm:
            head, hyphen, tail = parts[-1].rpartition("-")
            parts[-1:] = [head + hyphen, tail] if head else [parts[-1], ""]
        parts[-1] += letter
    return parts


def text_outline(words: PageText, ends_mm: float = 0.0) -> tuple[PagePoint, ...]:
    """Return the four corners of the paper that a text covers, extended at both ends [mm]."""
    width = text_width_mm(words.text, words.size_pt, bold=words.bold)
    high = words.size_pt * POINT_MM
    left, foot = width * _START[words.align], high * _FOOT[words.valign]
    left, right = left - ends_mm, left + width + ends_mm
    corners = ((left, foot), (right, foot), (right, foot + high), (left, foot + high))
    turn = math.radians(words.rotation_deg)
    (x, y), cos, sin = words.point, math.cos(turn), math.sin(turn)
    return tuple((x + a * cos - b * sin, y + a * sin + b * cos) for a, b in corners)


def overlap(one: Sequence[PagePoint], other: Sequence[PagePoint], clearance_mm: float = 0.0) -> bool:
    """Return true if two convex outlines overlap, or come nearer than `clearance_mm`.

    Two convex figures are separate if their projections on the normal of one of their edges are (separating
    axis theorem, any textbook of computational geometry).
    """
    for figure in (one, other):
        for (x, y), (to_x, to_y) in zip(figure, (*figure[1:], figure[0]), strict=True):
            length = math.hypot(to_x - x, to_y - y)
            if length < 1e-9:
                continue
            a, b = (y - to_y) / length, (to_x - x) / length
            ours, theirs = [a * p + b * q for p, q in one], [a * p + b * q for p, q in other]
            if min(theirs) - max(ours) >= clearance_mm or min(ours) - max(theirs) >= clearance_mm:
                return False
    return True
