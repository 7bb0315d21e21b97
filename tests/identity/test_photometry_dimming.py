"""Identity: curves rise, their inverses undo them with the smallest level, and codes stay in bounds."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillside.photometry import exposure, ratio
from fillside.photometry.dimming import (
    DimmingCurve,
    TableCurve,
    code_from_level,
    code_from_output,
    codes_from_outputs,
    curve,
    floor_code,
    level_from_code,
    outputs_of_codes,
    smallest_lit_code,
    wire_octets,
)

NAMES = ("linear", "square", "log", "lightness")
RELAXED = settings(deadline=None, max_examples=100, derandomize=True)
fractions = st.floats(0, 1)
full_scales = st.sampled_from([1, 100, 254, 255, 1000, 65535])


@st.composite
def tables(draw: st.DrawFn) -> TableCurve:
    levels = draw(st.lists(st.integers(0, 1000), min_size=1, max_size=12, unique=True))
    rises = draw(st.lists(st.integers(0, 50), min_size=len(levels), max_size=len(levels)))
    total = np.cumsum([*rises[:-1], rises[-1] + 1])
    ordered = sorted(levels)
    if ordered[-1] == 0:
        ordered[-1] = 1000
    return TableCurve(tuple(v / 1000 for v in ordered), tuple(float(v) for v in total / total[-1]))


curves = st.one_of(st.sampled_from([curve(name) for name in NAMES]), tables())
GLOWING = TableCurve((0.0, 1.0), (0.2, 1.0))
DEAD_ZONE = TableCurve((0.1, 0.3, 0.5, 0.6, 1.0), (0.0, 0.2, 0.2, 0.9, 1.0))


@RELAXED
@given(curves, fractions, fractions)
def test_light_never_falls_as_the_level_rises(dimmer: DimmingCurve, a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert dimmer.output_from_level(low) <= dimmer.output_from_level(high) + 1e-12
    assert 0 <= dimmer.output_from_level(a) <= 1
    assert dimmer.output_from_level(1.0) == 1


@RELAXED
@given(curves, fractions)
def test_the_level_of_an_output_gives_it(dimmer: DimmingCurve, output: float) -> None:
    least = dimmer.output_from_level(5e-324)
    level = dimmer.level_from_output(output)
    assert 0 <= level <= 1
    if output >= least:
        assert dimmer.output_from_level(level) == pytest.approx(output, abs=1e-9)


@RELAXED
@given(curves, fractions)
def test_no_smaller_level_gives_as_much(dimmer: DimmingCurve, level: float) -> None:
    output = dimmer.output_from_level(level)
    assert (
        dimmer.level_from_output(output) <= level + 1e-6
        or dimmer.output_from_level(dimmer.level_from_output(output) - 1e-6) < output
    )


@pytest.mark.parametrize(("output", "level"), [(0.0, 0.0), (0.2, 0.3), (1.0, 1.0), (0.9, 0.6)])
def test_flat_stretches_have_a_smallest_level(output: float, level: float) -> None:
    assert DEAD_ZONE.level_from_output(output) == pytest.approx(level, abs=1e-12)
    assert DEAD_ZONE.output_from_level(0.05) == 0
    assert DEAD_ZONE.output_from_level(0.4) == 0.2


def test_a_table_that_ends_early_stays_full() -> None:
    table = TableCurve((0.2, 0.8), (0.1, 1.0))
    assert table.output_from_level(0.9) == 1
    assert table.level_from_output(1.0) == 0.8
    assert table.levels[0] == table.outputs[0] == 0.0


def test_a_lamp_that_glows_at_nothing_is_taken_as_measured() -> None:
    assert GLOWING.output_from_level(0.0) == 0.2
    assert GLOWING.level_from_output(0.1) == 0.0
    assert smallest_lit_code(GLOWING, 255) == 0


@RELAXED
@given(curves, st.lists(fractions, min_size=1, max_size=20))
def test_arrays_are_many_numbers(dimmer: DimmingCurve, values: list[float]) -> None:
    array = np.array(values)
    one_by_one = [dimmer.output_from_level(v) for v in values]
    assert dimmer.output_from_level(array) == pytest.approx(one_by_one, rel=1e-14)
    one_by_one = [dimmer.level_from_output(v) for v in values]
    assert dimmer.level_from_output(array) == pytest.approx(one_by_one, rel=1e-14)


def test_a_fixed_lamp_gives_all_its_light_always() -> None:
    fixed = curve("fixed")
    assert fixed.output_from_level(0.0) == fixed.output_from_level(0.7) == 1
    assert fixed.level_from_output(0.3) == 1
    assert code_from_output(fixed, 0.3, 0) == 0


@RELAXED
@given(curves, full_scales, st.data())
def test_codes_and_levels_round_trip(dimmer: DimmingCurve, full_scale: int, data: st.DataObject) -> None:
    code = data.draw(st.integers(0, full_scale))
    assert code_from_level(level_from_code(code, full_scale), full_scale) == code
    octets = wire_octets(code, full_scale)
    assert sum(octet * 256**k for k, octet in enumerate(reversed(octets))) == code
    assert len(octets) == (1 if full_scale <= 255 else 2)
    assert all(0 <= octet <= 255 for octet in octets)
    assert outputs_of_codes(dimmer, full_scale)[code] == pytest.approx(
        dimmer.output_from_level(level_from_code(code, full_scale)), abs=1e-12
    )


@RELAXED
@given(curves, fractions, full_scales, st.floats(0, 0.99))
def test_a_held_head_is_never_below_its_floor_and_never_dark(
    dimmer: DimmingCurve, output: float, full_scale: int, floor: float
) -> None:
    code = code_from_output(dimmer, output, full_scale, floor)
    light = dimmer.output_from_level(level_from_code(code, full_scale))
    assert light >= floor - 1e-12
    assert light > 0
    own = code_from_level(dimmer.level_from_output(output), full_scale)
    least = floor_code(dimmer, full_scale, floor)
    assert code == max(own, least)
    if least > 0:
        below = dimmer.output_from_level(level_from_code(least - 1, full_scale))
        assert below == 0 or below < floor - 1e-12


@RELAXED
@given(curves, st.lists(fractions, min_size=1, max_size=8), full_scales, st.floats(0, 0.5))
def test_many_codes_at_once_are_the_same_codes(
    dimmer: DimmingCurve, outputs: list[float], full_scale: int, floor: float
) -> None:
    one_by_one = [code_from_output(dimmer, output, full_scale, floor) for output in outputs]
    assert codes_from_outputs(dimmer, np.array(outputs), full_scale, floor).tolist() == one_by_one


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("full_scale", [255, 65535])
def test_the_first_code_lights_a_lamp_without_dead_zone(name: str, full_scale: int) -> None:
    assert smallest_lit_code(curve(name), full_scale) == 1
    assert code_from_output(curve(name), 0.0, full_scale) == 1


def test_the_first_lit_code_is_past_a_dead_zone() -> None:
    lit = smallest_lit_code(DEAD_ZONE, 255)
    assert lit == math.floor(0.1 * 255) + 1
    assert code_from_output(DEAD_ZONE, 1e-9, 255) == lit


@RELAXED
@given(curves, st.sampled_from([255, 65535]))
def test_tables_of_codes_rise_and_cannot_be_changed(dimmer: DimmingCurve, full_scale: int) -> None:
    outputs = outputs_of_codes(dimmer, full_scale)
    assert (np.diff(outputs) >= 0).all()
    assert outputs[-1] == 1
    with pytest.raises(ValueError, match="read-only"):
        outputs[0] = 1.0


def test_curves_are_equal_by_value() -> None:
    assert curve(((0.5, 1.0), (0.1, 1.0))) == TableCurve((0.0, 0.5, 1.0), (0.0, 0.1, 1.0))
    assert len({curve("log"), curve("log"), curve("square")}) == 2
    assert curve("linear") != curve("square")


@pytest.mark.parametrize("value", [-0.5, 1.5, math.inf, -math.inf])
def test_numbers_off_the_scale_are_its_ends(value: float) -> None:
    for name in NAMES:
        assert curve(name).output_from_level(value) == (1.0 if value > 1 else 0.0)
        assert code_from_level(value, 255) == (255 if value > 1 else 0)


def test_not_a_number_is_refused() -> None:
    with pytest.raises(ValueError, match="NaN"):
        curve("square").output_from_level(math.nan)
    with pytest.raises(ValueError, match="NaN"):
        curve("square").level_from_output(np.array([0.1, math.nan]))


@pytest.mark.parametrize(
    ("levels", "outputs", "message"),
    [
        ((), (), "at least one"),
        ((0.5, 1.0), (1.0,), "equally many"),
        ((0.5, 0.5), (0.5, 1.0), "rise strictly"),
        ((0.4, 0.5, 1.0), (0.5, 0.4, 1.0), "never fall"),
        ((0.5, 1.0), (0.1, 0.9), "last output"),
        ((0.0,), (1.0,), "above 0"),
        ((0.5, 1.2), (0.1, 1.0), "from 0 to 1"),
        ((math.nan, 1.0), (0.1, 1.0), "from 0 to 1"),
    ],
)
def test_impossible_tables_are_refused(
    levels: tuple[float, ...], outputs: tuple[float, ...], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        TableCurve(levels, outputs)


def test_unknown_curves_and_codes_are_refused() -> None:
    with pytest.raises(ValueError, match="there are linear, square"):
        curve("cubic")
    for code, full_scale in ((-1, 255), (256, 255), (0, 65536)):
        with pytest.raises(ValueError, match="code"):
            wire_octets(code, full_scale)


# exposure and ratio


@RELAXED
@given(st.floats(0.01, 1e5), st.floats(240, 540), st.floats(25, 25600))
def test_ev_and_lux_undo_each_other(lux: float, constant: float, iso: float) -> None:
    ev = exposure.ev_from_lux(lux, constant, iso)
    assert exposure.lux_from_ev(ev, constant, iso) == pytest.approx(lux, rel=1e-12)


@RELAXED
@given(st.sampled_from(sorted(exposure.NOMINAL_APERTURES)), st.floats(1e-4, 10), st.floats(25, 25600))
def test_light_for_an_aperture_asks_for_that_aperture(aperture: float, time_s: float, iso: float) -> None:
    lux = exposure.target_lux(250, aperture, time_s, iso)
    assert exposure.aperture_from_lux(lux, 250, time_s, iso) == pytest.approx(
        exposure.exact_aperture(aperture), rel=1e-12
    )
    assert exposure.ev_from_lux(lux, 250, iso) == pytest.approx(
        exposure.exposure_value(aperture, time_s), abs=1e-9
    )


def test_nominal_names_are_a_third_of_a_stop_apart() -> None:
    exact = [exposure.NOMINAL_APERTURES[name] for name in sorted(exposure.NOMINAL_APERTURES)]
    steps = [2 * math.log2(b / a) for a, b in itertools.pairwise(exact)]
    assert steps == pytest.approx([1 / 3] * len(steps), abs=1e-12)
    assert all(abs(2 * math.log2(name / n)) < 1 / 6 for name, n in exposure.NOMINAL_APERTURES.items())


@RELAXED
@given(st.floats(0.01, 1000), st.sampled_from(["key:fill", "key+fill:fill"]))
def test_ratios_undo_each_other(key_to_fill: float, read_as: ratio.Convention) -> None:
    written = ratio.ratio_as(key_to_fill, read_as)
    assert ratio.key_ratio(written, read_as) == pytest.approx(key_to_fill, rel=1e-9)
    stops = ratio.ratio_stops(written, read_as)
    assert ratio.ratio_from_stops(stops, read_as) == pytest.approx(written, rel=1e-9)
    key, fill = ratio.lights_from_total(500.0, written, read_as)
    assert key + fill == pytest.approx(500.0)
    assert key / fill == pytest.approx(key_to_fill, rel=1e-9)


@pytest.mark.parametrize(
    ("value", "unit"),
    [
        (-1.0, "lux"),
        (math.nan, "lux"),
        (math.inf, "fc"),
        (None, "lux"),
        (200.0, "ev100"),
        (5.0, "candles"),
        (4.0, "f/5.6@400@1/50"),
        (None, "f/5.6@400"),
        (None, "f/0@400@1/50"),
        (None, "f/4@400@1/0"),
        (None, "f/4@0@1/50"),
        (None, "f/4+20@400@1/50"),
        (None, "f/4+@400@1/50"),
        (None, "f/nan@400@1/50"),
        (None, "f/5 6@400@1/50"),
        (1.0, ""),
    ],
)
def test_what_is_no_reading_is_refused_in_one_line(value: float | None, unit: str) -> None:
    with pytest.raises(ValueError, match=r"\S") as refused:
        exposure.lux_from_reading(value, unit, 250)
    assert "\n" not in str(refused.value)


def test_spaces_in_an_f_stop_reading_do_no_harm() -> None:
    spaced = exposure.f_stop_reading(" f/5.6 + 0.7 @ ISO400 @ 1 / 50 s")
    assert spaced == exposure.f_stop_reading("f/5.6+0.7@400@1/50")


@pytest.mark.parametrize(
    "call",
    [
        lambda: exposure.target_lux(0, 4, 0.02, 400),
        lambda: exposure.target_lux(250, -4, 0.02, 400),
        lambda: exposure.target_lux(250, 4, math.nan, 400),
        lambda: exposure.ev_from_lux(0, 250),
        lambda: exposure.stops_between(0, 1),
        lambda: ratio.key_ratio(0.5, "key+fill:fill"),
        lambda: ratio.key_ratio(-1, "key:fill"),
        lambda: ratio.key_ratio(math.inf, "key:fill"),
        lambda: ratio.key_ratio(2, cast(ratio.Convention, "fill:key")),
    ],
)
def test_impossible_numbers_are_refused(call: Callable[[], float]) -> None:
    with pytest.raises(ValueError, match=r"not|no way"):
        call()


@pytest.mark.parametrize("name", ["linear", "square", "log", "lightness"])
def test_no_light_is_level_nothing(name: str) -> None:
    """Not the smallest number above it, at which IEC 62386-102 has a thousandth of the light already."""
    assert curve(name).level_from_output(0.0) == 0.0
    assert curve(name).output_from_level(0.0) == 0.0
    assert curve(name).level_from_output(np.array([0.0, 1.0])).tolist() == [0.0, 1.0]
