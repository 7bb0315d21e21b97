"""What stands where on the lighting sheet."""

from __future__ import annotations

from typing import Literal

from fillside.interfaces.sheet import words
from fillside.interfaces.sheet.above import draw_above
from fillside.interfaces.sheet.aside import CHAIN_MM, chains, draw_aside
from fillside.interfaces.sheet.columns import Column, table
from fillside.interfaces.sheet.ink import BOLD, FAINT, GRAPHITE, THIN, Page
from fillside.interfaces.sheet.measures import SMALL_PT, scale_bar
from fillside.interfaces.sheet.symbols import Frame
from fillside.interfaces.sheet.views import Views, scale_for
from fillside.planning.checklists import checklists
from fillside.planning.lengths import Lengths
from fillside.planning.mark import MarkPlan
from fillside.planning.plan import PlanReport
from fillside.rig.model import Rig

Paper = Literal["a4", "letter"]
PAPERS: dict[Paper, tuple[float, float]] = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
"""Width and height, lying, in mm (ISO 216 and ANSI/ASME Y14.1)."""

EDGE_MM, GUTTER_MM, TITLE_MM, DRAWING_SHARE = 9.0, 6.0, 9.0, 0.52
CAPTION_MM, RULER_MM = 4.5, 6.0
SIZES_PT = (6.6, 6.2, 5.8, 5.4, 5.0, 4.6)
"""Sizes of type that are tried until everything fits."""
LEAST_NOTES, NOTE_MM = 2, 5.5


def lay_out(rig: Rig, report: PlanReport, mark: MarkPlan, lengths: Lengths, paper: Paper) -> Page:
    """The sheet of one mark of a rig."""
    width, height = PAPERS[paper]
    page = Page(width, height)
    views = Views(rig, mark)
    drawing_mm = (width - 2 * EDGE_MM - GUTTER_MM) * DRAWING_SHARE
    scale = _drawings(page, views, drawing_mm, lengths)
    _title(page, rig, mark, scale)
    _texts(page, _Told(rig, report, mark, views, lengths), EDGE_MM + drawing_mm + GUTTER_MM)
    return page


def _title(page: Page, rig: Rig, mark: MarkPlan, scale: int) -> None:
    base = page.height_mm - EDGE_MM - 4.2
    page.write((EDGE_MM, base), rig.rig.name, size_pt=13, bold=True)
    told = f"subject at {mark.mark}     1:{scale} when printed at full size     Fillside lighting sheet"
    page.write((page.width_mm - EDGE_MM, base), told, size_pt=7, side="right")
    page.stroke([(EDGE_MM, base - 2), (page.width_mm - EDGE_MM, base - 2)], BOLD)


def _drawings(page: Page, views: Views, width_mm: float, lengths: Lengths) -> int:
    """Both views, one above the other, the subject at one place across; returns the scale."""
    above, aside = views.extent_above(), views.extent_aside()
    below = CHAIN_MM * chains(views) + RULER_MM
    space = page.height_mm - 2 * EDGE_MM - TITLE_MM - below - 2 * CAPTION_MM
    left, right = min(above.left, aside.left), max(above.right, aside.right)
    scale = scale_for(width_mm, space, right - left, above.height + aside.height)
    mm_per_m = 1000 / scale
    zero = EDGE_MM + (width_mm - (right - left) * mm_per_m) / 2 - left * mm_per_m
    spare = (space - (above.height + aside.height) * mm_per_m) / 3
    floor = EDGE_MM + below + spare / 2
    draw_aside(page, views, Frame((zero, floor), mm_per_m), aside, lengths)
    caption = floor + aside.height * mm_per_m + 1
    _caption(
        page, caption, "From the side: every stand turned into the page about the subject; measures are true"
    )
    base = caption + CAPTION_MM + spare
    draw_above(page, views, Frame((zero, base - above.bottom * mm_per_m), mm_per_m), above, lengths)
    _caption(page, base + above.height * mm_per_m, "From above: the camera's right is down the page")
    _ruler(page, mm_per_m, lengths)
    return scale


def _caption(page: Page, y: float, text: str) -> None:
    page.write((EDGE_MM, y), text, size_pt=SMALL_PT, ink=GRAPHITE)


def _ruler(page: Page, mm_per_m: float, lengths: Lengths) -> None:
    unit, name, count = (0.3048, "ft", 3) if lengths.feet else (1.0, "m", 1)
    steps = [(unit * i, f"{i}" if i < count else f"{i} {name}") for i in range(count + 1)]
    scale_bar(page, (EDGE_MM, EDGE_MM), mm_per_m, steps)


class _Told:
    """Everything that is written, ready to be set in any size."""

    def __init__(self, rig: Rig, report: PlanReport, mark: MarkPlan, views: Views, lengths: Lengths) -> None:
        self.rows = words.head_rows(rig, mark, views, lengths)
        self.footnote = ". ".join([*words.aims(rig, mark, views, lengths), words.FOOTNOTE])
        lists = checklists(rig)
        self.first = [
            ("Balance", list(words.balance_lines(rig, mark)), False),
            ("Found in planning", list(words.found_lines(report, mark)), False),
            ("Camera", list(report.camera), False),
            ("To mind", list(report.cautions), False),
        ]
        self.second = [
            ("Before", list(lists.before), True),
            ("During", list(lists.during), True),
            ("After", list(lists.after), True),
        ]


def _texts(page: Page, told: _Told, left: float) -> None:
    for size in SIZES_PT:
        trial = Page(page.width_mm, page.height_mm)
        if _set_texts(trial, told, left, size) or size == SIZES_PT[-1]:
            page.marks += trial.marks
            return


def _set_texts(page: Page, told: _Told, left: float, size_pt: float) -> bool:
    """Sets all text in one size; whether it stays on the paper."""
    width = page.width_mm - EDGE_MM - left
    top = page.height_mm - EDGE_MM - TITLE_MM + 1.2
    table_pt = min(size_pt, 5.8)
    bottom = table(page, left, top, width, told.rows, right=words.RIGHT, size_pt=table_pt)
    note = Column(page, left, bottom - 0.6, width, size_pt=min(size_pt, 5.0))
    note.paragraph(told.footnote)
    half = (width - GUTTER_MM) / 2
    columns = [
        Column(page, left, note.y - 1.5, half, size_pt),
        Column(page, left + half + GUTTER_MM, note.y - 1.5, half, size_pt),
    ]
    for column, parts in zip(columns, (told.first, told.second), strict=True):
        for title, items, boxes in parts:
            if items:
                column.heading(title)
                column.items(items, boxes=boxes)
                column.gap()
    return _notes(columns[1]) >= LEAST_NOTES and columns[0].y >= EDGE_MM


def _notes(column: Column) -> int:
    """Empty lines to write on, down to the edge of the paper; returns how many."""
    column.heading("Notes")
    count = 0
    while column.y - NOTE_MM >= EDGE_MM:
        column.gap(NOTE_MM)
        end = (column.left + column.width_mm, column.y)
        column.page.stroke([(column.left, column.y), end], THIN, FAINT)
        count += 1
    return count
