"""The layout of the lighting sheet.

The first page holds the information for building the set: both views at one scale, the table of heads, the
balance and the findings of planning. The text common to most rigs (camera, cautions, checklists, reading
instructions, assumptions) follows on the second page, and on a third if a rig needs it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from fillside.planning.figures import Lengths
from fillside.planning.look.mark import MarkPlan
from fillside.planning.plan import PlanReport
from fillside.rig.tables.model import Rig
from fillside.sheet import texts
from fillside.sheet.drawing.page import BOLD, FAINT, THIN, PagePoint, SheetPage, text_width_mm, wrap_text
from fillside.sheet.drawing.symbols import ViewFrame, draw_scale_bar
from fillside.sheet.drawing.text_columns import (
    HEADING_MM,
    LINE_MM,
    Section,
    TextColumn,
    TextTable,
    fill_column,
)
from fillside.sheet.plan_view import draw_plan_view
from fillside.sheet.side_view import chains_height_mm, draw_side_view
from fillside.sheet.views import Extent, SetViews

Paper = Literal["a4", "letter"]
PAPERS: dict[Paper, tuple[float, float]] = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
"""Width and height in landscape, in mm (ISO 216 and ANSI/ASME Y14.1)."""
SCALES = (10, 15, 20, 25, 30, 40, 50, 60, 75, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000, 1500)

EDGE_MM, GUTTER_MM, TITLE_MM = 9.0, 7.0, 9.0
PAD_MM, RULER_MM = 8.0, 8.0
"""Margin round a view for letters and names; space for the ruler below the view from above."""
TABLE_SHARE = 0.4
"""Largest share of the first page for the table of heads; the rest of the table follows later."""
NARROWEST_TEXT_MM, TWO_COLUMNS_MM = 62.0, 128.0
SMALLER_FOR_ALL, SMALLER_FOR_BALANCE = 1, 3
"""Most scale steps by which the views shrink: to fit all the text, and to fit the text beside them."""
NAME_PT = (13.0, 11.0, 9.0, 8.0)
COLUMNS, NOTE_MM, LEAST_NOTES = 3, 7.0, 3
PLAN_CAPTION = "From above: the camera's right is to the right"
SIDE_CAPTION = "From the side: every stand turned into the page"


@dataclass(frozen=True)
class Box:
    """A rectangle of paper, in mm."""

    left: float
    bottom: float
    width: float
    height: float

    @property
    def top(self) -> float:
        return self.bottom + self.height

    @property
    def right(self) -> float:
        return self.left + self.width


@dataclass(frozen=True)
class Arrangement:
    """A scale (the n of 1:n), and the places of both views (with captions) and of the text at that scale."""

    scale: int
    plan: Box
    side: Box
    text: Box


def lay_out(
    rig: Rig, report: PlanReport, mark: MarkPlan, lengths: Lengths, paper: Paper
) -> tuple[SheetPage, ...]:
    """Return the pages of the sheet of one mark of a rig."""
    views = SetViews(rig, mark)
    pages = _Pages(rig, mark, paper)
    first = pages.new()
    table = TextTable(texts.head_rows(rig, mark, views, lengths), pages.inner.width, texts.RIGHT, texts.WRAPS)
    shown = max(2, table.fitting(1, pages.inner.height * TABLE_SHARE))
    bottom = pages.inner.bottom + table.high_mm(1, shown)
    table.draw(first, pages.inner.left, bottom, 1, shown)
    free = Box(pages.inner.left, bottom + 3.0, pages.inner.width, pages.inner.top - bottom - 3.0)
    sections = _balance(rig, report, mark, views, lengths)
    chosen = _arrange(views, free, sections)
    _draw(first, views, chosen, lengths)
    rest = _set(first, chosen.text, sections)
    pages.scale = chosen.scale
    _rest(pages, table, shown, [*rest, *texts.reference_sections(rig, report, mark)])
    return pages.titled()


class _Pages:
    """The pages of a sheet, each with its title and its number."""

    def __init__(self, rig: Rig, mark: MarkPlan, paper: Paper) -> None:
        self.size = PAPERS[paper]
        self.rig, self.mark, self.scale = rig, mark, 0
        self.pages: list[SheetPage] = []
        width, height = self.size
        self.inner = Box(EDGE_MM, EDGE_MM, width - 2 * EDGE_MM, height - 2 * EDGE_MM - TITLE_MM)

    def new(self) -> SheetPage:
        self.pages.append(SheetPage(*self.size))
        return self.pages[-1]

    def titled(self) -> tuple[SheetPage, ...]:
        base = self.size[1] - EDGE_MM - 4.2
        right = self.size[0] - EDGE_MM
        for number, page in enumerate(self.pages, start=1):
            says = f"lighting sheet, page {number} of {len(self.pages)}"
            if number == 1:
                says = f"1:{self.scale} when printed at full size    {says}"
            says = f"subject at {self.mark.mark}    {says}"
            page.write((right, base), says, align="right")
            name, room = self.rig.rig.name, self.inner.width - text_width_mm(says) - GUTTER_MM
            sizes = [size for size in NAME_PT if text_width_mm(name, size, bold=True) <= room]
            page.write((EDGE_MM, base), name, size_pt=max(sizes, default=min(NAME_PT)), bold=True)
            page.stroke([(EDGE_MM, base - 2), (right, base - 2)], BOLD)
        return tuple(self.pages)


def _balance(
    rig: Rig, report: PlanReport, mark: MarkPlan, views: SetViews, lengths: Lengths
) -> list[Section]:
    """Return the sections that belong beside the drawing of the set."""
    return [
        Section("Balance", tuple(texts.balance_lines(rig, mark))),
        Section("Where heads point", tuple(texts.aim_lines(rig, mark, views, lengths))),
        Section("Found in planning", tuple(texts.finding_lines(report, mark))),
    ]


def _arrange(views: SetViews, free: Box, sections: list[Section]) -> Arrangement:
    """Return the layout at the largest scale, or at a slightly smaller one if the text then fits."""
    fitting = [found for scale in SCALES for found in _arrangements(views, free, scale)]
    if not fitting:
        return next(_arrangements(views, free, SCALES[-1], anyhow=True))
    largest = SCALES.index(fitting[0].scale)
    for smaller, needed in ((SMALLER_FOR_ALL, sections), (SMALLER_FOR_BALANCE, sections[:-1])):
        for found in fitting:
            near = SCALES.index(found.scale) <= largest + smaller
            if near and not _set(SheetPage(1, 1), found.text, needed):
                return found
    return fitting[0]


def _arrangements(views: SetViews, free: Box, scale: int, *, anyhow: bool = False) -> Iterator[Arrangement]:
    """Yield layouts with the plan on the left, the side view beside or below it, and room for text."""
    above, aside, mm = views.plan_extent(), views.side_extent(), 1000 / scale
    wide, long = above.width * mm + 2 * PAD_MM, aside.width * mm + 2 * PAD_MM
    high = above.height * mm + 2 * PAD_MM + _caption_mm(PLAN_CAPTION, wide) + RULER_MM
    tall = aside.height * mm + PAD_MM + _caption_mm(SIDE_CAPTION, long) + chains_height_mm(views)
    if anyhow or (wide + GUTTER_MM + long <= free.width and max(high, tall) <= free.height):
        left = free.left + wide + GUTTER_MM
        first = Box(free.left, free.bottom, wide, free.height)
        room = free.right - left
        under = Box(left, free.bottom, room, free.height - tall - GUTTER_MM)
        yield Arrangement(scale, first, Box(left, free.top - tall, room, tall), under)
        beside = free.right - left - long - GUTTER_MM
        if beside >= NARROWEST_TEXT_MM:
            text = Box(left + long + GUTTER_MM, free.bottom, beside, free.height)
            yield Arrangement(scale, first, Box(left, free.bottom, long, free.height), text)
    beside = free.width - max(wide, long) - GUTTER_MM
    if beside >= NARROWEST_TEXT_MM and high + tall <= free.height:
        text = Box(free.right - beside, free.bottom, beside, free.height)
        across = free.width - beside - GUTTER_MM
        first = Box(free.left, free.bottom + tall, across, free.height - tall)
        yield Arrangement(scale, first, Box(free.left, free.bottom, across, tall), text)


def _set(page: SheetPage, box: Box, sections: list[Section]) -> list[Section]:
    """Set sections in a box, in two columns where it is wide; return those left over."""
    return _flow(page, box, sections, 2 if box.width >= TWO_COLUMNS_MM else 1)[1]


def _draw(page: SheetPage, views: SetViews, chosen: Arrangement, lengths: Lengths) -> None:
    mm = 1000 / chosen.scale
    box = _caption(page, chosen.plan, PLAN_CAPTION)
    ruler = Box(box.left, box.bottom + RULER_MM, box.width, box.height - RULER_MM)
    draw_plan_view(page, views, _frame(ruler, views.plan_extent(), mm, PAD_MM), lengths)
    unit, name, count = (0.3048, "ft", 3) if lengths.feet else (1.0, "m", 1)
    steps = [(unit * i, f"{i}" if i < count else f"{i} {name}") for i in range(count + 1)]
    draw_scale_bar(page, (box.left + 1.5, box.bottom + 0.5), mm, steps)
    box = _caption(page, chosen.side, SIDE_CAPTION)
    draw_side_view(page, views, _frame(box, views.side_extent(), mm, chains_height_mm(views)), lengths)


def _frame(box: Box, extent: Extent, mm_per_m: float, below: float) -> ViewFrame:
    """Return the frame of a view centred in its box with a space below it [mm]; spare height is shared."""
    high = extent.height * mm_per_m
    spare = max(0.0, box.height - below - high - PAD_MM) / 2
    left = box.left + (box.width - extent.width * mm_per_m) / 2
    zero: PagePoint = (left - extent.left * mm_per_m, box.bottom + below + spare - extent.bottom * mm_per_m)
    return ViewFrame((box.left, box.bottom), (box.right, box.top), zero, mm_per_m)


def _caption_mm(text: str, width: float) -> float:
    return LINE_MM * len(wrap_text(text, width)) + 1.0


def _caption(page: SheetPage, box: Box, text: str) -> Box:
    """Write a view's caption at the top of its box; return the rest of the box."""
    for number, line in enumerate(wrap_text(text, box.width), start=1):
        page.write((box.left, box.top - LINE_MM * number + 0.8), line)
    return Box(box.left, box.bottom, box.width, box.height - _caption_mm(text, box.width))


def _rest(pages: _Pages, table: TextTable, shown: int, sections: list[Section]) -> None:
    """Set whatever does not fit on the first page: the rest of the table, text in columns, notes."""
    inner, rest = pages.inner, sections
    while True:
        page, top = pages.new(), inner.top
        if shown < len(table.rows):
            end = max(shown + 1, table.fitting(shown, inner.height))
            top = table.draw(page, inner.left, top, shown, end) - GUTTER_MM / 2
            shown = end
        box = Box(inner.left, inner.bottom, inner.width, top - inner.bottom)
        column, rest = _flow(page, box, rest, COLUMNS)
        if not rest and shown >= len(table.rows):
            _notes(column)
            return


def _flow(
    page: SheetPage, box: Box, sections: list[Section], columns: int
) -> tuple[TextColumn, list[Section]]:
    """Set sections in columns side by side; return the last column needed, and the sections left over.

    Sections stay in one piece if all of them then still fit.
    """
    width = (box.width - GUTTER_MM * (columns - 1)) / columns
    for whole in (True, False):
        trial, rest = SheetPage(page.width_mm, page.height_mm), [one for one in sections if one.items]
        for i in range(columns):
            column = TextColumn(trial, box.left + i * (width + GUTTER_MM), box.top, width, box.bottom)
            rest = fill_column(column, rest, whole=whole)
            if not rest:
                break
        if not rest:
            break
    page.items += trial.items
    column.page = page
    return column, rest


def _notes(column: TextColumn) -> None:
    """Draw empty lines to write on, down to the edge of the paper, if there is room."""
    if column.y - HEADING_MM - LEAST_NOTES * NOTE_MM < column.bottom:
        return
    column.heading("Notes")
    while column.y - NOTE_MM >= column.bottom:
        column.y -= NOTE_MM
        end = (column.left + column.width_mm, column.y)
        column.page.stroke([(column.left, column.y), end], THIN, FAINT)
