"""Tables and running text on a page, from the top down."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from fillside.interfaces.sheet.ink import FAINT, PLAIN, POINT_MM, THIN, Page, broken, width_of

LEADING = 1.32
BOX_MM, LEAST_GAP_MM = 1.7, 1.6


def line_mm(size_pt: float) -> float:
    """From one line of type to the next, in mm."""
    return size_pt * POINT_MM * LEADING


class Column:
    """A column of text that is filled downward; `left` never to be read above `y`."""

    def __init__(self, page: Page, left: float, top: float, width_mm: float, size_pt: float = 6.2) -> None:
        self.page, self.left, self.y = page, left, top
        self.width_mm, self.size_pt = width_mm, size_pt

    def heading(self, text: str) -> None:
        """A heading with a line under it."""
        self.y -= line_mm(self.size_pt) * 1.1
        self.page.write((self.left, self.y), text, size_pt=self.size_pt + 0.8, bold=True)
        self.y -= 0.9
        self.page.stroke([(self.left, self.y), (self.left + self.width_mm, self.y)], THIN, FAINT)
        self.y -= 0.5

    def paragraph(self, text: str, bold: bool = False) -> None:
        self._lines(text, 0.0, bold)

    def items(self, texts: Iterable[str], *, boxes: bool = False) -> None:
        """A list with a dash, or with a box to tick, before each item."""
        for text in texts:
            top = self.y - line_mm(self.size_pt)
            if boxes:
                self._box(top)
            else:
                self.page.write((self.left, top), "–", size_pt=self.size_pt)
            self._lines(text, 2.6, bold=False)
            self.y -= 0.25

    def _box(self, y: float) -> None:
        x, size = self.left, BOX_MM
        corners = [(x, y), (x + size, y), (x + size, y + size), (x, y + size), (x, y)]
        self.page.stroke(corners, THIN)

    def _lines(self, text: str, indent_mm: float, bold: bool) -> None:
        for line in broken(text, self.width_mm - indent_mm, self.size_pt):
            self.y -= line_mm(self.size_pt)
            self.page.write((self.left + indent_mm, self.y), line, size_pt=self.size_pt, bold=bold)

    def gap(self, mm: float = 1.6) -> None:
        self.y -= mm


def table(
    page: Page,
    left: float,
    top: float,
    width_mm: float,
    rows: Sequence[Sequence[str]],
    right: Sequence[int] = (),
    size_pt: float = 6.2,
) -> float:
    """A table with its first row as headings, as wide as asked; returns its lower edge.

    Where its text would be wider, it is set smaller.
    """
    natural = [max(width_of(row[i], size_pt) for row in rows) for i in range(len(rows[0]))]
    wanted = sum(natural) + LEAST_GAP_MM * (len(natural) - 1)
    if wanted > width_mm:
        size_pt *= width_mm / wanted
        natural = [width * width_mm / wanted for width in natural]
    spare = max(0.0, width_mm - sum(natural)) / max(1, len(natural) - 1)
    starts = [left + sum(natural[:i]) + spare * i for i in range(len(natural))]
    y, step = top, line_mm(size_pt) * 1.18
    for number, row in enumerate(rows):
        y -= step
        for i, text in enumerate(row):
            spot = (starts[i] + natural[i], y) if i in right else (starts[i], y)
            side = "right" if i in right else "left"
            page.write(spot, text, size_pt=size_pt, side=side, bold=number == 0 or i == 0)
        rule = y - step * 0.32
        page.stroke([(left, rule), (left + width_mm, rule)], PLAIN if number == 0 else THIN, FAINT)
    return y - step * 0.32
