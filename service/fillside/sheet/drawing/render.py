"""Rendering of pages as PDF or SVG. Matplotlib is imported only when a sheet is made."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

from fillside.sheet.drawing.page import PAPER, POINT_MM, Area, PageText, SheetPage, Stroke

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MM_PER_INCH = 25.4
DASHES: dict[str, Any] = {
    "solid": "solid",
    "dashed": (0, (6, 4)),
    "chain": (0, (12, 3, 2, 3)),
    "dotted": (0, (1, 3)),
}
FONT = "DejaVu Sans"


def render(pages: Sequence[SheetPage], form: Literal["pdf", "svg"], title: str) -> tuple[bytes, ...]:
    """Render the pages as files: one PDF, or an SVG for each page, since SVG 1.1 has no pages.

    The same pages always give the same files.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_pdf import PdfPages
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    settings: dict[Any, Any] = {
        "svg.fonttype": "none",
        "svg.hashsalt": "fillside",
        "pdf.fonttype": 42,
        "font.family": FONT,
    }
    with mpl.rc_context(settings):
        figures = [_figure(page) for page in pages]
        outs = [io.BytesIO() for _ in (pages if form == "svg" else pages[:1])]
        if form == "svg":
            for out, figure in zip(outs, figures, strict=True):
                metadata = {"Title": title, "Date": None}
                FigureCanvasSVG(figure).print_figure(out, format="svg", metadata=metadata, facecolor=PAPER)
        else:
            with PdfPages(outs[0], metadata={"Title": title, "CreationDate": None}) as pdf:
                for figure in figures:
                    pdf.savefig(figure, facecolor=PAPER)
    return tuple(out.getvalue() for out in outs)


def _figure(page: SheetPage) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(page.width_mm / MM_PER_INCH, page.height_mm / MM_PER_INCH))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_xlim(0, page.width_mm)
    axes.set_ylim(0, page.height_mm)
    axes.set_axis_off()
    for order, mark in enumerate(sorted(page.items, key=lambda mark: isinstance(mark, PageText))):
        _draw(axes, mark, order)
    return figure


def _draw(axes: Axes, mark: Stroke | Area | PageText, order: int) -> None:
    if isinstance(mark, Stroke):
        across, up = zip(*mark.points, strict=True)
        axes.plot(
            across,
            up,
            color=mark.ink,
            linewidth=mark.width_mm / POINT_MM,
            linestyle=DASHES[mark.dash],
            solid_capstyle="round",
            solid_joinstyle="round",
            zorder=order,
        )
    elif isinstance(mark, Area):
        across, up = zip(*mark.points, strict=True)
        axes.fill(
            across,
            up,
            facecolor=mark.ink,
            edgecolor=mark.edge or "none",
            linewidth=mark.width_mm / POINT_MM if mark.edge else 0,
            zorder=order,
        )
    else:
        _letter(axes, mark, order)


def _letter(axes: Axes, words: PageText, order: int) -> None:
    backing = {"facecolor": PAPER, "edgecolor": "none", "pad": 0.3, "alpha": 0.85} if words.backing else None
    axes.text(
        *words.point,
        words.text,
        fontsize=words.size_pt,
        color=words.ink,
        ha=words.align,
        va=words.valign,
        rotation=words.rotation_deg,
        rotation_mode="anchor",
        fontweight="bold" if words.bold else "normal",
        bbox=backing,
        zorder=order,
    )
