"""A page drawn as PDF or SVG. The one module that imports matplotlib, and only when a sheet is made."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any, Literal

from fillside.interfaces.sheet.ink import PAPER, POINT_MM, Area, Page, Stroke, Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MM_PER_INCH = 25.4
DASHES: dict[str, Any] = {
    "solid": "solid",
    "dashed": (0, (6, 4)),
    "chain": (0, (12, 3, 2, 3)),
    "dotted": (0, (1, 3)),
}
FONT = "DejaVu Sans"


def render(page: Page, form: Literal["pdf", "svg"], title: str) -> bytes:
    """The page as a file of that form; the same page always gives the same file."""
    import matplotlib as mpl
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    metadata = {"Title": title, "CreationDate": None} if form == "pdf" else {"Title": title, "Date": None}
    settings: dict[Any, Any] = {
        "svg.fonttype": "none",
        "svg.hashsalt": "fillside",
        "pdf.fonttype": 42,
        "font.family": FONT,
    }
    with mpl.rc_context(settings):
        figure = Figure(figsize=(page.width_mm / MM_PER_INCH, page.height_mm / MM_PER_INCH))
        canvas = FigureCanvasPdf(figure) if form == "pdf" else FigureCanvasSVG(figure)
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_xlim(0, page.width_mm)
        axes.set_ylim(0, page.height_mm)
        axes.set_axis_off()
        for order, mark in enumerate(sorted(page.marks, key=lambda mark: isinstance(mark, Words))):
            _draw(axes, mark, order)
        out = io.BytesIO()
        canvas.print_figure(out, format=form, metadata=metadata, facecolor=PAPER)
    return out.getvalue()


def _draw(axes: Axes, mark: Stroke | Area | Words, order: int) -> None:
    if isinstance(mark, Stroke):
        across, up = zip(*mark.spots, strict=True)
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
        across, up = zip(*mark.spots, strict=True)
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


def _letter(axes: Axes, words: Words, order: int) -> None:
    backing = {"facecolor": PAPER, "edgecolor": "none", "pad": 0.3, "alpha": 0.85} if words.backed else None
    axes.text(
        *words.spot,
        words.text,
        fontsize=words.size_pt,
        color=words.ink,
        ha=words.side,
        va=words.height,
        rotation=words.turn_deg,
        rotation_mode="anchor",
        fontweight="bold" if words.bold else "normal",
        bbox=backing,
        zorder=order,
    )
