"""Identity: a lamp of two whites is one lamp to whoever drives it, and keeps its colour as it dims."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fillside.photometry.colour import cool_share_for, mired, mixed_cct_k
from fillside.photometry.dimming import DimmingCurve, code_from_output, curve, outputs_of_codes
from fillside.photometry.white_mix import WhiteMix, most_light

CURVES = ["linear", "square", "log", "lightness", ([0.1, 0.6, 1.0], [0.0, 0.4, 1.0])]
lamps = st.builds(
    WhiteMix,
    st.sampled_from([curve(spec) for spec in CURVES]),  # type: ignore[arg-type]
    st.sampled_from([100, 255, 65535]),
    st.floats(0.1, 0.9),
    st.floats(0, 1),
)
QUICK = settings(deadline=None, max_examples=60, derandomize=True)


def light(lamp: WhiteMix, code: int) -> tuple[float, float]:
    """The warm and the cool channel's light at the lamp's code, over both channels at full."""
    warm, cool = (lamp.base.output_from_level(c / lamp.full_scale) for c in lamp.channel_codes(code))
    return (1 - lamp.cool_part) * warm, lamp.cool_part * cool


@QUICK
@given(lamps, st.floats(0, 1))
def test_a_codes_output_is_what_both_channels_really_give(lamp: WhiteMix, where: float) -> None:
    code = round(where * lamp.full_scale)
    full = sum(light(lamp, lamp.full_scale))
    assert lamp.output_from_level(code / lamp.full_scale) == pytest.approx(
        sum(light(lamp, code)) / full, abs=1e-12
    )


@QUICK
@given(lamps)
def test_it_is_a_dimming_curve_like_any_other(lamp: WhiteMix) -> None:
    outputs = outputs_of_codes(lamp, lamp.full_scale)
    base = outputs_of_codes(lamp.base, lamp.full_scale)
    assert (np.diff(outputs) >= 0).all()
    assert outputs[-1] == 1
    assert (outputs[0] == 0) == (base[0] == 0)
    # Code to output and back, wherever the code gives more than the one before.
    rises = np.flatnonzero(np.diff(outputs) > 1e-12) + 1
    for code in rises[:: max(1, len(rises) // 50)].tolist():
        assert code_from_output(lamp, float(outputs[code]), lamp.full_scale) == code


@QUICK
@given(lamps)
def test_one_channel_is_at_full_and_no_more_light_can_be_had(lamp: WhiteMix) -> None:
    codes = lamp.channel_codes(lamp.full_scale)
    assert max(codes) == lamp.full_scale
    assert min(codes) >= 0
    most = most_light(lamp.cool_part, lamp.cool_share)
    warm, cool = most * (1 - lamp.cool_share) / (1 - lamp.cool_part), most * lamp.cool_share / lamp.cool_part
    assert max(warm, cool) == pytest.approx(1)
    assert min(warm, cool) <= 1 + 1e-12


@QUICK
@given(lamps, st.floats(0.2, 1))
def test_the_colour_stays_to_a_step_of_the_wire(lamp: WhiteMix, output: float) -> None:
    assume(lamp.full_scale > 255)
    warm, cool = light(lamp, code_from_output(lamp, output, lamp.full_scale))
    assert cool / (warm + cool) == pytest.approx(lamp.cool_share, abs=1e-3)
    low, high = lamp.cool_shares(0.2)
    assert low - 1e-12 <= cool / (warm + cool) <= high + 1e-12


@pytest.mark.parametrize("wanted", [2800.0, 4300.0, 6300.0])
@pytest.mark.parametrize("base", [curve("linear"), curve("square")], ids=["linear", "square"])
def test_in_16_bits_it_holds_its_temperature_over_six_stops(wanted: float, base: DimmingCurve) -> None:
    lamp = WhiteMix(base, 65535, 0.5, cool_share_for(2700.0, 6500.0, wanted))
    for share in lamp.cool_shares(2**-6):
        assert mired(mixed_cct_k(2700.0, 6500.0, share)) == pytest.approx(mired(wanted), abs=0.5)


@QUICK
@given(st.floats(1800, 4000), st.floats(200, 8000), st.floats(0, 1))
def test_more_cool_light_is_cooler(warm: float, apart: float, share: float) -> None:
    cool = warm + apart
    assert mired(cool) - 0.01 <= mired(mixed_cct_k(warm, cool, share)) <= mired(warm) + 0.01
    assert mixed_cct_k(warm, cool, min(share + 0.05, 1.0)) >= mixed_cct_k(warm, cool, share) - 1e-6


@QUICK
@given(st.floats(1800, 4000), st.floats(500, 8000), st.floats(0.02, 0.98))
def test_the_share_for_a_temperature_is_the_mixs_reverse(warm: float, apart: float, share: float) -> None:
    wanted = mixed_cct_k(warm, warm + apart, share)
    assert cool_share_for(warm, warm + apart, wanted) == pytest.approx(share, abs=1e-4)


def test_what_lies_beyond_the_ends_is_the_nearer_end() -> None:
    assert cool_share_for(2700.0, 6500.0, 2000.0) == 0
    assert cool_share_for(2700.0, 6500.0, 9000.0) == 1
    assert most_light(0.4, 0.0) == pytest.approx(0.6)
    assert most_light(0.4, 1.0) == pytest.approx(0.4)
