"""Reference: incident exposure by ISO 2720, aperture names, meter units, and lighting ratios by both
conventions.
"""

from __future__ import annotations

import math

import pytest
from pydantic import ValidationError

from fillside.photometry import exposure, ratio
from fillside.rig.checks.warnings import rig_warnings
from fillside.rig.notation import shutter_seconds
from fillside.rig.tables.model import CONSTANT_RANGE, DEFAULT_CONSTANT, Rig
from rigs import pair, sim, studio

PLAIN_RIG = studio(heads=pair(intensity=900, drive={"driver": "wire"}), drivers=sim("wire"))

# Illuminance by EV at ISO 100 with C = 250 (ISO 2720; the usual meter-maker's table), lux and foot-candles.
EV_TABLE = [
    (-2, 0.625, None),
    (-1, 1.25, None),
    (0, 2.5, 0.232),
    (1, 5, 0.465),
    (2, 10, 0.929),
    (3, 20, 1.858),
    (4, 40, 3.716),
    (5, 80, 7.432),
    (6, 160, 14.864),
    (7, 320, 29.729),
    (8, 640, 59.458),
    (9, 1280, 118.916),
    (10, 2560, 237.832),
    (11, 5120, None),
    (12, 10240, 951.327),
    (13, 20480, None),
    (14, 40960, None),
    (15, 81920, 7610.617),
    (16, 163840, 15221.234),
    (17, 327680, None),
    (18, 655360, None),
]


@pytest.mark.parametrize(("ev", "lux", "foot_candles"), EV_TABLE)
def test_exposure_value_table(ev: float, lux: float, foot_candles: float | None) -> None:
    assert exposure.lux_from_ev(ev, 250) == pytest.approx(lux, rel=1e-12)
    assert exposure.ev_from_lux(lux, 250) == pytest.approx(ev, abs=1e-12)
    assert exposure.lux_from_reading(ev, "ev100", 250) == pytest.approx(lux, rel=1e-12)
    if foot_candles is not None:
        assert exposure.foot_candles_from_lux(lux) == pytest.approx(foot_candles, abs=0.5001e-3)
        assert exposure.lux_from_reading(foot_candles, "fc", 250) == pytest.approx(lux, abs=0.0054)


@pytest.mark.parametrize(("ev", "lux"), [(0, 3.4), (8, 870.4), (12, 13926.4)])
def test_exposure_value_with_a_domes_constant(ev: float, lux: float) -> None:
    """ISO 2720 allows C of 320 to 540 for hemispherical receptors; 340 is one in use."""
    assert exposure.lux_from_ev(ev, 340) == pytest.approx(lux, abs=0.05)


@pytest.mark.parametrize(
    ("aperture", "time_s", "iso", "constant", "lux"),
    [
        (2.8, 1 / 50, 800, 250, 125.0),
        (4, 1 / 50, 400, 250, 500.0),
        (4, 1 / 60, 400, 250, 600.0),
        (5.6, 1 / 50, 400, 250, 1000.0),
        (5.6, 1 / 60, 800, 250, 600.0),
        (8, 1 / 50, 400, 250, 2000.0),
        (4, 1 / 50, 400, 330, 660.0),
    ],
)
def test_working_points_of_iso_2720(
    aperture: float, time_s: float, iso: float, constant: float, lux: float
) -> None:
    """E = C N^2 / (t S), nominal f-numbers taken exactly, times literally."""
    assert exposure.target_lux(constant, aperture, time_s, iso) == pytest.approx(lux, abs=0.05)
    assert exposure.aperture_from_lux(lux, constant, time_s, iso) == pytest.approx(
        exposure.exact_aperture(aperture), rel=1e-9
    )


def test_an_aperture_that_is_no_nominal_name_is_literal() -> None:
    """f/2.81 and the half-stop name f/4.8 are no third-stop names: C N^2 / (t S) with the number itself."""
    assert exposure.target_lux(250, 2.81, 1 / 50, 800) == pytest.approx(15.625 * 2.81**2, rel=1e-12)
    assert exposure.exact_aperture(4.8) == 4.8


def test_nd_and_glass_ask_for_more_light() -> None:
    """A stop is a factor of two: 0.9 ND (three stops, common practice) wants eight times the light."""
    assert exposure.target_lux(250, 4, 1 / 50, 400, stops=3) == pytest.approx(4000.0, rel=1e-12)


# Nominal names (full stops ISO 517, thirds common practice, both from memory), exact 2^(k/6), and the name's
# error in stops.
SERIES = [
    (1, 1.0000, 0.0),
    (1.1, 1.1225, -0.058),
    (1.2, 1.2599, -0.141),
    (1.4, 1.4142, -0.029),
    (1.6, 1.5874, 0.023),
    (1.8, 1.7818, 0.029),
    (2, 2.0000, 0.0),
    (2.2, 2.2449, -0.058),
    (2.5, 2.5198, -0.023),
    (2.8, 2.8284, -0.029),
    (3.2, 3.1748, 0.023),
    (3.5, 3.5636, -0.052),
    (4, 4.0000, 0.0),
    (4.5, 4.4898, 0.007),
    (5, 5.0397, -0.023),
    (5.6, 5.6569, -0.029),
    (6.3, 6.3496, -0.023),
    (7.1, 7.1272, -0.011),
    (8, 8.0000, 0.0),
    (9, 8.9797, 0.007),
    (10, 10.0794, -0.023),
    (11, 11.3137, -0.081),
    (13, 12.6992, 0.068),
    (14, 14.2544, -0.052),
    (16, 16.0000, 0.0),
    (18, 17.9594, 0.007),
    (20, 20.1587, -0.023),
    (22, 22.6274, -0.081),
    (25, 25.3984, -0.046),
    (29, 28.5088, 0.049),
    (32, 32.0000, 0.0),
]


@pytest.mark.parametrize(("name", "exact", "error_stops"), SERIES)
def test_third_stop_names(name: float, exact: float, error_stops: float) -> None:
    assert exposure.exact_aperture(name) == pytest.approx(exact, abs=0.5001e-4)
    assert 2 * math.log2(name / exposure.exact_aperture(name)) == pytest.approx(error_stops, abs=0.5001e-3)


def test_aperture_names_are_up_to_a_twelfth_of_a_stop_off() -> None:
    """The largest error from f/1.4 to f/32 is 0.0811368 stop, of f/11 and f/22: 2 log2(2^3.5 / 11)."""
    names = [name for name, _, _ in SERIES if 1.4 <= name <= 32]
    errors = [abs(2 * math.log2(name / exposure.exact_aperture(name))) for name in names]
    assert max(errors) == pytest.approx(0.0811367627, abs=0.5001e-10)


# Third-stop names of shutter times as 1/n s (camera practice, from memory) and exact 2^(k/3).
SHUTTER_NAMES = (
    "1 1.3 1.6 2 2.5 3 4 5 6 8 10 13 15 20 25 30 40 50 60 80 100 125 160 200 250 320 400 500 640 800 1000 "
    "1250 1600 2000 2500 3200 4000"
)
SHUTTER_EXACT = (
    "1.00000 1.25992 1.58740 2.00000 2.51984 3.17480 4.00000 5.03968 6.34960 8.00000 10.07937 12.69921 "
    "16.00000 20.15874 25.39842 32.00000 40.31747 50.79683 64.00000 80.63495 101.59367 128.00000 161.26989 "
    "203.18733 256.00000 322.53979 406.37467 512.00000 645.07958 812.74934 1024.00000 1290.15916 1625.49868 "
    "2048.00000 2580.31831 3250.99735 4096.00000"
)


def test_shutter_times_are_literal_and_a_name_is_at_most_a_tenth_of_a_stop_off() -> None:
    """A camera that runs the exact series gives up to 0.0931094 stop less than its names: log2(16 / 15)."""
    exact = [float(text) for text in SHUTTER_EXACT.split()]
    errors = []
    for k, name in enumerate(SHUTTER_NAMES.split()):
        assert exact[k] == pytest.approx(2 ** (k / 3), abs=0.5001e-5)
        literal = exposure.target_lux(250, 4, shutter_seconds(f"1/{name}"), 400)
        errors.append(abs(exposure.stops_between(exposure.target_lux(250, 4, 1 / exact[k], 400), literal)))
        assert errors[-1] == pytest.approx(abs(math.log2(exact[k] / float(name))), abs=1e-12)
    assert max(errors) == pytest.approx(0.0931094044, abs=0.5001e-10)


def test_exposure_value_of_camera_settings() -> None:
    """EV = log2(N^2 / t): f/8 at 1/125 is 12.97, f/1 at one second 0 (ISO 2720)."""
    assert exposure.exposure_value(8, 1 / 125) == pytest.approx(12.96578428, abs=0.5e-8)
    assert exposure.exposure_value(1, 1) == 0


def test_one_foot_candle() -> None:
    """A lumen per square foot, the international foot being 0.3048 m: 10.76391042 lx (IES, from memory)."""
    assert exposure.lux_from_foot_candles(1) == pytest.approx(10.76391042, abs=0.5001e-8)
    assert exposure.foot_candles_from_lux(1) == pytest.approx(0.092903, abs=0.5e-6)


@pytest.mark.parametrize(
    ("constant", "stops"), [(320, 0.3561438102), (330, 0.4005379296), (340, 0.4436066515)]
)
def test_a_dome_read_with_a_flat_receptors_constant_is_off(constant: float, stops: float) -> None:
    """log2(C dome / C flat) with the constants of ISO 2720 in use."""
    wrong = exposure.stops_between(exposure.lux_from_ev(8, constant), exposure.lux_from_ev(8, 250))
    assert wrong == pytest.approx(stops, abs=0.5001e-10)


def test_default_constants_are_those_in_use_and_within_iso_2720() -> None:
    """ISO 2720:1974 as colour-science texts restate it: C of 240 to 400 for a flat receptor, commonly 250,
    and of 320 to 540 for a hemispherical one, in practice 320 to 340."""
    assert CONSTANT_RANGE == {"flat": (240, 400), "dome": (320, 540)}
    assert DEFAULT_CONSTANT["flat"] == 250
    assert 320 <= DEFAULT_CONSTANT["dome"] <= 340


@pytest.mark.parametrize(
    ("receptor", "constant", "within"),
    [
        *(("flat", 239.9, False), ("flat", 240, True), ("flat", 400, True), ("flat", 400.1, False)),
        *(("dome", 319.9, False), ("dome", 320, True), ("dome", 540, True), ("dome", 540.1, False)),
    ],
)
def test_a_constant_that_iso_2720_has_for_no_such_receptor_is_doubted(
    receptor: str, constant: float, within: bool
) -> None:
    rig = Rig.model_validate({**PLAIN_RIG, "meter": {"receptor": receptor, "constant": constant}})
    assert ("meter.constant" not in {warning.key for warning in rig_warnings(rig)}) is within


@pytest.mark.parametrize("constant", [10.6, 12.5, 13.4])
def test_a_constant_of_reflected_light_is_refused(constant: float) -> None:
    """ISO 2720:1974, as restated in print: K of reflected light is 10.6 to 13.4 cd s ISO / m2. It is no C."""
    with pytest.raises(ValidationError, match="constant"):
        Rig.model_validate({**PLAIN_RIG, "meter": {"constant": constant}})


# Luminance by EV at ISO 100, L = K 2^EV / S with K = 12.5 (ISO 2720).
@pytest.mark.parametrize(("ev", "luminance"), [(0, 0.125), (3, 1.0), (8, 32.0), (15, 4096.0)])
def test_incident_and_reflected_light_agree_at_sixteen_per_cent(ev: float, luminance: float) -> None:
    """A matt surface under E has the luminance rho E / pi, so both meters agree at rho = pi K / C: 0.15708
    with K = 12.5 and C = 250 (encyclopedia article "Light meter")."""
    assert 0.1570796327 * exposure.lux_from_ev(ev, 250) / math.pi == pytest.approx(luminance, rel=1e-9)
    assert math.pi * luminance / exposure.lux_from_ev(ev, 250) == pytest.approx(0.1570796327, abs=0.5001e-10)


@pytest.mark.parametrize(
    ("text", "constant", "lux"),
    [
        ("f/4@400@1/50", 250, 500.0),
        ("f/4@400@1/50", 330, 660.0),
        ("f/5.6@400@1/50", 250, 1000.0),
        ("f/5.6+0.7@400@1/50", 250, 1624.5),
        ("f/5.6+1.0@400@1/50", 250, 2000.0),
        ("f/2.8+0.5@800@1/50", 250, 176.8),
        ("f/4@400@0.02", 250, 500.0),
    ],
)
def test_f_stop_readings_with_tenths(text: str, constant: float, lux: float) -> None:
    """ISO 2720 with tenths of a stop over the printed aperture: 2^0.7 is 1.6245, 2^0.5 is 1.41421."""
    assert exposure.f_stop_reading(text).lux(constant) == pytest.approx(lux, abs=0.05)
    assert exposure.lux_from_reading(None, text, constant) == pytest.approx(lux, abs=0.05)


# lighting ratios


@pytest.mark.parametrize(("key", "fill", "written"), [(200, 100, 3), (800, 200, 5)])
def test_examples_of_the_asc_convention(key: float, fill: float, written: float) -> None:
    """American Society of Cinematographers: (key + fill) : fill; 200 and 100 foot-candles are 3:1, 800
    and 200 5:1.
    """
    assert ratio.sum_ratio_from_key_ratio(key / fill) == written
    assert ratio.ratio_as(key / fill, "key+fill:fill") == written
    assert ratio.key_ratio(written, "key+fill:fill") == key / fill


# Ratio as written, its stops if read key:fill, key:fill and its stops if read (key + fill):fill.
RATIOS = [
    (1.5, 0.584962501, 0.5, -1.000000000),
    (2, 1.000000000, 1, 0.000000000),
    (3, 1.584962501, 2, 1.000000000),
    (4, 2.000000000, 3, 1.584962501),
    (5, 2.321928095, 4, 2.000000000),
    (6, 2.584962501, 5, 2.321928095),
    (8, 3.000000000, 7, 2.807354922),
    (9, 3.169925001, 8, 3.000000000),
    (16, 4.000000000, 15, 3.906890596),
]


@pytest.mark.parametrize(("written", "stops", "key_to_fill", "its_stops"), RATIOS)
def test_one_number_read_both_ways(
    written: float, stops: float, key_to_fill: float, its_stops: float
) -> None:
    """A stop is log2 of the light, whichever way the ratio is written (common practice)."""
    assert ratio.ratio_stops(written) == pytest.approx(stops, abs=0.6e-9)
    assert ratio.key_ratio_from_sum_ratio(written) == key_to_fill
    assert ratio.ratio_stops(written, "key+fill:fill") == pytest.approx(its_stops, abs=0.6e-9)
    assert ratio.ratio_from_stops(math.log2(key_to_fill), "key+fill:fill") == pytest.approx(
        written, rel=1e-12
    )


def test_one_to_one_with_the_sum_is_no_key() -> None:
    assert ratio.key_ratio_from_sum_ratio(1.0) == 0.0
    assert ratio.ratio_stops(1.0, "key+fill:fill") == -math.inf


@pytest.mark.parametrize(
    ("total", "written", "read_as", "key", "fill"),
    [
        (1000, 3, "key+fill:fill", 666.67, 333.33),
        (1000, 3, "key:fill", 750.0, 250.0),
        (500, 2, "key+fill:fill", 250.0, 250.0),
        (500, 2, "key:fill", 333.33, 166.67),
        (800, 4, "key+fill:fill", 600.0, 200.0),
        (800, 4, "key:fill", 640.0, 160.0),
    ],
)
def test_a_total_split_at_a_ratio(
    total: float, written: float, read_as: ratio.Convention, key: float, fill: float
) -> None:
    """With T = K + F: K : F = r gives F = T / (1 + r); (K + F) : F = R gives F = T / R."""
    found = ratio.lights_from_total(total, written, read_as)
    assert found == pytest.approx((key, fill), abs=0.005)
