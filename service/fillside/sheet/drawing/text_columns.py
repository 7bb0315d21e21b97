"""Tables and running text on a page, from the top down, in one type size."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fillside.sheet.drawing.page import (
    FAINT,
    PLAIN,
    POINT_MM,
    THIN,
    TYPE_PT,
    HorizontalAlign,
    SheetPage,
    text_width_mm,
    wrap_text,
)

LINE_MM = TYPE_PT * POINT_MM * 1.3
HEADING_PT, HEADING_MM, RULE_MM = 9.0, 5.6, 0.6
TITLE_MM = HEADING_MM + RULE_MM
CONTINUED_SUFFIX = " (continued)"
ITEM_MM, SECTION_MM, INDENT_MM = 0.5, 2.2, 3.6
BOX_MM = 2.2
LEAST_GAP_MM, ROW_MM = 2.2, 1.1
NARROWEST_MM = 18.0
"""Least width to which a column of a table is broken."""


@dataclass(frozen=True)
class Section:
    """A heading and its items, each after a dash, after a box to tick, or without a mark."""

    title: str
    items: tuple[str, ...]
    mark: str = "–"
    """One of "–", "box" and ""."""


class TextColumn:
    """A column of text that is filled downward from `top` to `bottom`."""

    def __init__(self, page: SheetPage, left: float, top: float, width_mm: float, bottom: float) -> None:
        self.page, self.left, self.y, self.top = page, left, top, top
        self.width_mm, self.bottom = width_mm, bottom

    def heading(self, text: str) -> None:
        """Write a heading with a line under it."""
        self.y -= HEADING_MM
        self.page.write((self.left, self.y + 1.2), text, size_pt=HEADING_PT, bold=True)
        self.page.stroke([(self.left, self.y), (self.left + self.width_mm, self.y)], THIN, FAINT)
        self.y -= RULE_MM

    def high(self, text: str, mark: str) -> float:
        """Return the height of an item in the column [mm]."""
        return LINE_MM * len(self._lines(text, mark)) + ITEM_MM

    def item(self, text: str, mark: str) -> None:
        for number, line in enumerate(self._lines(text, mark)):
            self.y -= LINE_MM
            if number == 0 and mark == "box":
                self._box(self.y - 0.1)
            elif number == 0 and mark:
                self.page.write((self.left, self.y), mark)
            self.page.write((self.left + (INDENT_MM if mark else 0.0), self.y), line)
        self.y -= ITEM_MM

    def _lines(self, text: str, mark: str) -> list[str]:
        return wrap_text(text, self.width_mm - (INDENT_MM if mark else 0.0))

    def _box(self, y: float) -> None:
        x, size = self.left, BOX_MM
        corners = [(x, y), (x + size, y), (x + size, y + size), (x, y + size), (x, y)]
        self.page.stroke(corners, THIN)


def fill_column(column: TextColumn, sections: Iterable[Section], *, whole: bool = False) -> list[Section]:
    """Set sections in a column; return those left when it is full.

    A heading stays with its first item, and an item stays in one piece; with `whole`, so does a section that
    fits a column.
    """
    waiting = [section for section in sections if section.items]
    while waiting:
        section = waiting[0]
        heights = [column.high(text, section.mark) for text in section.items]
        keep = sum(heights) if whole and sum(heights) < column.top - column.bottom - TITLE_MM else heights[0]
        if column.y - TITLE_MM - keep < column.bottom:
            return waiting
        column.heading(section.title)
        for number, text in enumerate(section.items):
            if column.y - heights[number] < column.bottom:
                rest = Section(_continued(section.title), section.items[number:], section.mark)
                return [rest, *waiting[1:]]
            column.item(text, section.mark)
        column.y -= SECTION_MM
        waiting.pop(0)
    return []


def _continued(title: str) -> str:
    return f"{title.removesuffix(CONTINUED_SUFFIX)}{CONTINUED_SUFFIX}"


Rows = Sequence[Sequence[str]]


class TextTable:
    """A table of a given width with its first row as headings.

    Cells of the columns in `wraps` are wrapped if the table would otherwise be too wide.
    """

    def __init__(self, rows: Rows, width_mm: float, right: Sequence[int], wraps: Sequence[int]) -> None:
        self.rows, self.width_mm, self.right = rows, width_mm, right
        natural = [max(self._width(r, row[i], i) for r, row in enumerate(rows)) for i in range(len(rows[0]))]
        gaps = LEAST_GAP_MM * (len(natural) - 1)
        excess = sum(natural) + gaps - width_mm
        for i in sorted(wraps, key=lambda i: natural[i], reverse=True):
            if excess > 0:
                taken = min(excess, max(0.0, natural[i] - NARROWEST_MM))
                natural[i], excess = natural[i] - taken, excess - taken
        self.widths = natural
        spare = max(0.0, width_mm - sum(natural)) / max(1, len(natural) - 1)
        self.starts = [sum(natural[:i]) + spare * i for i in range(len(natural))]

    @staticmethod
    def _bold(row: int, column: int) -> bool:
        return row == 0 or column == 0

    def _width(self, row: int, text: str, column: int) -> float:
        return text_width_mm(text, bold=self._bold(row, column)) + 0.2

    def _cells(self, row: int) -> list[list[str]]:
        cells = enumerate(self.rows[row])
        return [wrap_text(text, self.widths[i], bold=self._bold(row, i)) for i, text in cells]

    def row_mm(self, row: int) -> float:
        """Return the height of a row [mm]."""
        return LINE_MM * max(map(len, self._cells(row))) + ROW_MM

    def fitting(self, first: int, high_mm: float) -> int:
        """Return the index after the last row from `first` that fits below the headings in this height."""
        left = high_mm - self.row_mm(0)
        row = first
        while row < len(self.rows) and left >= self.row_mm(row):
            left -= self.row_mm(row)
            row += 1
        return row

    def high_mm(self, first: int, end: int) -> float:
        """Return the height of the headings and the rows from `first` to before `end` [mm]."""
        return self.row_mm(0) + sum(self.row_mm(row) for row in range(first, end))

    def draw(self, page: SheetPage, left: float, top: float, first: int, end: int) -> float:
        """Draw the headings and the rows from `first` to before `end`; return the lower edge."""
        y = top
        for row in (0, *range(first, end)):
            for i, lines in enumerate(self._cells(row)):
                at = left + self.starts[i] + (self.widths[i] if i in self.right else 0.0)
                align: HorizontalAlign = "right" if i in self.right else "left"
                for number, line in enumerate(lines):
                    point = (at, y - LINE_MM * (number + 1))
                    page.write(point, line, align=align, bold=self._bold(row, i))
            y -= self.row_mm(row)
            page.stroke([(left, y), (left + self.width_mm, y)], PLAIN if row == 0 else THIN, FAINT)
        return y
