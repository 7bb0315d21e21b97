"""Pictures of a calibration: what is in them, in every form, and what is said where they cannot be drawn."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from bench.simulated_studio import HiddenStudio, read_fixed_plan, studio
from fillside.belief.belief import Belief, believe
from fillside.belief.result.calibrating import belief_from_csv
from fillside.belief.result.charts import charts_of
from fillside.rig.tables.model import Rig
from fillside.sheet.calibration_plots import Form, draw_belief


@functools.cache
def metered() -> tuple[HiddenStudio, Belief]:
    hidden = studio(4)
    hidden.spoilt[6] = 1.0
    hidden.read_ambient()
    read_fixed_plan(hidden, 6)
    return hidden, belief_from_csv(hidden.csv(), Rig.model_validate(hidden.rig_table()))


def test_curves_and_intervals_hold_the_readings() -> None:
    hidden, found = metered()
    charts = charts_of(found, 0)
    assert charts.name == "key"
    assert [dot.number for dot in charts.dimmed] == [4, 5, 6, 7, 8, 9]
    assert [dot.number for dot in charts.dimmed if dot.left_out] == [7]
    assert (np.diff(charts.dimmer.low) >= 0).all()
    assert (np.diff(charts.dimmer.high) >= 0).all()
    assert (charts.dimmer.low <= charts.dimmer.value + 1e-12).all()
    assert (charts.dimmer.value <= charts.dimmer.high + 1e-12).all()
    for dot in charts.fallen:
        expected = np.interp(dot.at, charts.fall_off.at, charts.fall_off.value)
        off = abs(np.log2(dot.value / expected))
        assert off > 0.7 if dot.left_out else off < 0.25
    for one in charts.residuals:
        assert (abs(one.stops) > one.half_width_stops) is one.left_out
    full = charts.fall_off.value[-1]
    place = hidden.mark + 1.0 * hidden.head("key").axis
    assert full == pytest.approx(hidden.head("key").facing_lux(place), rel=0.1)


@pytest.mark.parametrize(("form", "start"), [("png", b"\x89PNG\r\n"), ("pdf", b"%PDF-"), ("svg", b"<?xml")])
def test_a_picture_in_every_form(form: Form, start: bytes) -> None:
    _, found = metered()
    picture = draw_belief(found, "a calibration", form)
    assert picture.startswith(start)
    assert len(picture) > 10_000
    if form == "svg":
        text = picture.decode()
        for words in ("key: dimmer", "fill: dimmer", "a calibration", "inverse square", "residuals"):
            assert words in text


def test_no_word_is_cut_at_the_edge(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[Figure] = []
    save = Figure.savefig

    def kept(figure: Figure, *to: Any, **how: Any) -> None:
        drawn.append(figure)
        save(figure, *to, **how)

    monkeypatch.setattr(Figure, "savefig", kept)
    draw_belief(metered()[1], "a calibration")
    (figure,) = drawn
    figure.draw_without_rendering()
    texts = [text for text in figure.findobj(Text) if isinstance(text, Text) and text.get_text()]
    assert "grey: expanded uncertainty, k = 2" in " ".join(text.get_text() for text in texts)
    for text in texts:
        box, edge = text.get_window_extent(), figure.bbox
        sides = (box.x0 - edge.x0, edge.x1 - box.x1, box.y0 - edge.y0, edge.y1 - box.y1)
        assert min(sides) >= 0, text.get_text()


def test_nothing_read_is_nothing_to_draw() -> None:
    found = believe((), Rig.model_validate(studio(4).rig_table()))
    with pytest.raises(ValueError, match="no head was read"):
        draw_belief(found, "empty")
