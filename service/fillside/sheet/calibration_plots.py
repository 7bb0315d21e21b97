"""A calibration as a picture: the dimmer, the fall-off with distance, and the residuals of every head.

Matplotlib, which draws it, is imported only on use. The picture is in black and one grey, for printing; a
reading that was left out is marked by a cross instead of a colour.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

from fillside.belief.belief import Belief
from fillside.belief.result.charts import ChartCurve, Dot, HeadCharts, charts_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Form = Literal["png", "pdf", "svg"]

_INK, _GREY, _BAND = "#1c1c1c", "#7a7a7a", "#d9d9d9"
_WIDTH_IN, _ROW_IN, _HEADING_IN = 10.0, 2.7, 0.5
_DPI = 150


def draw_belief(belief: Belief, title: str, form: Form = "png") -> bytes:
    """Return the picture of a belief as a file of this form, one row for each head that was read.

    Raises ValueError where no head was read.
    """
    read = {name for reading in belief.readings for name in reading.heads}
    numbers = [i for i, name in enumerate(belief.model.names) if name in read]
    if not numbers:
        raise ValueError("no head was read, so there is nothing to draw")
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    settings: dict[Any, Any] = {"font.size": 8, "axes.edgecolor": _GREY, "axes.linewidth": 0.6}
    settings |= {"svg.hashsalt": "fillside", "svg.fonttype": "none", "pdf.fonttype": 42}
    with mpl.rc_context(settings):
        figure = Figure(figsize=(_WIDTH_IN, _HEADING_IN + _ROW_IN * len(numbers)), layout="constrained")
        FigureCanvasAgg(figure)
        figure.suptitle(title, fontsize=11, x=0.01, ha="left")
        _fill(figure, [charts_of(belief, i) for i in numbers])
        out = io.BytesIO()
        undated: dict[str, None] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(form, {})
        figure.savefig(out, format=form, dpi=_DPI, metadata=undated)
    return out.getvalue()


def _fill(figure: Figure, heads: Sequence[HeadCharts]) -> None:
    rows = figure.subplots(len(heads), 3, squeeze=False)
    for (dimmer, fall_off, residuals), charts in zip(rows, heads, strict=True):
        _dimmer(dimmer, charts)
        _fall_off(fall_off, charts)
        _residuals(residuals, charts)


def _dimmer(axes: Axes, charts: HeadCharts) -> None:
    _curve(axes, charts.dimmer)
    _dots(axes, charts.dimmed)
    axes.set_title(f"{charts.name}: dimmer", loc="left", fontsize=9)
    axes.set_xlabel("level")
    axes.set_ylabel("output, share of full")
    axes.set_xlim(0, 1.03)
    axes.set_ylim(0, max([1.0, *(dot.value for dot in charts.dimmed)]) * 1.08)
    _plain(axes)


def _fall_off(axes: Axes, charts: HeadCharts) -> None:
    _curve(axes, charts.fall_off)
    axes.plot(charts.fall_off.at, charts.inverse_square, color=_GREY, lw=0.8, ls=(0, (4, 3)))
    _dots(axes, charts.fallen)
    axes.set_yscale("log")
    axes.set_yticks(_round_numbers(*axes.get_ylim()))
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:.0f}")
    axes.minorticks_off()
    axes.set_title("light at full; dashed: inverse square", loc="left", fontsize=9)
    axes.set_xlabel("distance from the lit face, m")
    axes.set_ylabel("lux")
    _plain(axes)


def _round_numbers(low: float, high: float) -> list[float]:
    """Return 1, 2 and 5 times powers of ten within the bounds."""
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    steps = [step * 10.0**decade for decade in decades for step in (1, 2, 5)]
    return [step for step in steps if low <= step <= high]


def _residuals(axes: Axes, charts: HeadCharts) -> None:
    axes.axhline(0.0, color=_GREY, lw=0.8)
    places = range(len(charts.residuals))
    for place, one in zip(places, charts.residuals, strict=True):
        axes.plot([place, place], [-one.half_width_stops, one.half_width_stops], color=_BAND, lw=6)
        axes.plot(place, one.stops, color=_INK, ls="", **_mark(one.left_out))
    axes.set_xticks(list(places), [str(one.number) for one in charts.residuals])
    axes.set_title("residuals", loc="left", fontsize=9)
    axes.set_xlabel("reading; cross: left out\ngrey: expanded uncertainty, k = 2")
    axes.set_ylabel("read over expected, stops")
    _plain(axes)


def _curve(axes: Axes, curve: ChartCurve) -> None:
    axes.fill_between(curve.at, curve.low, curve.high, color=_BAND, lw=0)
    axes.plot(curve.at, curve.value, color=_INK, lw=1.2)


def _dots(axes: Axes, dots: Sequence[Dot]) -> None:
    for dot in dots:
        axes.plot(dot.at, dot.value, color=_INK, ls="", **_mark(dot.left_out))


def _mark(left_out: bool) -> dict[str, Any]:
    return {"marker": "x", "ms": 6} if left_out else {"marker": "o", "ms": 3.5}


def _plain(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(color=_GREY, length=3)
