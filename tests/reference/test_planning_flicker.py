"""Ripple and shutter against the box-car average, brute-force integration, and IEEE Std 1789-2015."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, ndimage, optimize

from fillside.planning.safety.flicker import (
    banding_stops,
    beat_hz,
    flicker_answer,
    ieee_1789_limits_percent,
    ieee_1789_region,
    modulation_percent,
    pulse_banding_stops,
    pulse_variation_stops,
    residual_factor,
    safe_times_s,
    shutter_angle_deg,
    sine_variation_stops,
)


# |sin(pi f T) / (pi f T)|, four printed digits of a table of the box-car average.
@pytest.mark.parametrize(
    ("hertz", "per_second", "factor"),
    [
        (100, 24, 0.0382), (100, 25, 0.0), (100, 30, 0.0827), (100, 48, 0.0395), (100, 50, 0.0),
        (100, 60, 0.1654), (100, 100, 0.0), (100, 120, 0.1910), (100, 125, 0.2339), (100, 250, 0.7568),
        (120, 24, 0.0), (120, 25, 0.0390), (120, 30, 0.0), (120, 48, 0.1273), (120, 50, 0.1261),
        (120, 60, 0.0), (120, 100, 0.1559), (120, 120, 0.0), (120, 125, 0.0416), (120, 250, 0.6618),
    ],
)  # fmt: skip
def test_residual_factor_is_the_box_car_average(hertz: float, per_second: float, factor: float) -> None:
    assert residual_factor(hertz, 1 / per_second) == pytest.approx(factor, abs=5e-5)
    assert residual_factor(hertz, 1 / per_second) == pytest.approx(
        abs(np.sinc(hertz / per_second)), abs=1e-12
    )


def test_sine_variation_is_what_integrating_exposures_gives() -> None:
    # independent: scipy's quadrature of the light over many exposures
    percent, hertz, exposure = 35.0, 100.0, 1 / 60

    def light(t: float) -> float:
        return 1 + percent / 100 * math.sin(2 * math.pi * hertz * t)

    starts = np.linspace(0, 1 / hertz, 201)
    frames = [integrate.quad(light, s, s + exposure)[0] for s in starts]
    assert sine_variation_stops(percent, hertz, exposure) == pytest.approx(
        math.log2(max(frames) / min(frames)), abs=1e-4
    )


@pytest.mark.parametrize(
    ("duty", "exposure"), [(0.5, 1 / 800), (0.2, 1 / 1100), (0.9, 1 / 700), (0.3, 1 / 60)]
)
def test_pulse_variation_is_what_integrating_a_square_wave_gives(duty: float, exposure: float) -> None:
    # Here, as it takes a third of a second to import, and each of four at a time would.
    from scipy import signal

    # independent: scipy.signal.square summed over exposures that start everywhere in a period
    hertz, samples = 1000.0, 200_000
    t = np.arange(0, exposure + 2 / hertz, 1 / (hertz * samples / 1000))
    on = (signal.square(2 * np.pi * hertz * t, duty=duty) + 1) / 2
    total = np.concatenate(([0.0], np.cumsum(on)))
    length = round(exposure * hertz * samples / 1000)
    frames = total[length:] - total[:-length]
    frames = frames[: round(samples / 1000)]
    expected = math.log2(frames.max() / frames.min())
    assert pulse_variation_stops(duty, hertz, exposure) == pytest.approx(expected, abs=0.03)


def test_light_that_can_be_off_for_a_whole_exposure_is_never_infinite() -> None:
    assert pulse_variation_stops(0.1, 100.0, 1 / 1000) == 12.0
    assert pulse_variation_stops(1.0, 100.0, 1 / 1000) == 0.0


@pytest.mark.parametrize(
    ("fps", "hertz", "beat"),
    [(24, 100, 4), (25, 100, 0), (25, 120, 5), (30, 100, 10), (29.97, 120, 0.12), (23.976, 100, 4.096)],
)
def test_beat_is_the_alias_of_the_ripple(fps: float, hertz: float, beat: float) -> None:
    # aliasing of a sampled wave: distance to the nearest multiple of the sampling rate (Shannon)
    assert beat_hz(hertz, fps) == pytest.approx(beat, abs=1e-9)


@pytest.mark.parametrize(
    ("fps", "per_second", "angle"),
    [(24, 50, 172.8), (24, 60, 144.0), (25, 50, 180.0), (30, 60, 180.0), (29.97, 60, 179.82)],
)
def test_shutter_angle_of_an_exposure_time(fps: float, per_second: float, angle: float) -> None:
    # camera tables: 172.8 degrees at 24 frames in 50 Hz countries, 144 degrees in 60 Hz countries
    assert shutter_angle_deg(1 / per_second, fps) == pytest.approx(angle, abs=5e-3)


# Columns of limits in percent as several public implementations of IEEE Std 1789-2015 give them.
@pytest.mark.parametrize(
    ("hertz", "none", "low"),
    [
        (50, 0.50, 1.25), (60, 0.60, 1.50), (90, 3.00, 7.20), (100, 3.33, 8.00), (120, 4.00, 9.60),
        (200, 6.66, 16.00), (240, 7.99, 19.20), (500, 16.65, 40.00), (1000, 33.30, 80.00),
        (1250, 41.63, 100.00), (2000, 66.60, None), (3000, 99.90, None), (3001, None, None),
    ],
)  # fmt: skip
def test_ieee_1789_limits(hertz: float, none: float | None, low: float | None) -> None:
    got_none, got_low = ieee_1789_limits_percent(hertz)
    assert got_none == (None if none is None else pytest.approx(none, abs=0.0051))
    assert got_low == (None if low is None else pytest.approx(low, abs=0.0051))


def test_ieee_1789_regions() -> None:
    assert ieee_1789_region(100, 3) == "no observable effect"
    assert ieee_1789_region(100, 5) == "low risk"
    assert ieee_1789_region(100, 20) == "higher risk"
    assert ieee_1789_region(2000, 100) == "low risk"
    assert ieee_1789_region(4000, 100) == "no observable effect"


def test_modulation_percent() -> None:
    # IES Lighting Handbook: percent flicker 100 (A - B) / (A + B), worked by hand
    assert modulation_percent(130.0, 70.0) == pytest.approx(30.0)
    with pytest.raises(ValueError, match="least <= most"):
        modulation_percent(1.0, 2.0)


def test_safe_times_are_whole_periods_and_leave_no_ripple() -> None:
    # common practice: 1/100, 1/50, 1/33, 1/25 s on 50 Hz mains, 1/120, 1/60, 1/40, 1/30 s on 60 Hz
    assert [1 / t for t in safe_times_s(100, 25)] == pytest.approx([100, 50, 100 / 3, 25])
    assert [1 / t for t in safe_times_s(120, 30)] == pytest.approx([120, 60, 40, 30])
    for hertz, fps in ((100, 24), (120, 25), (1000, 25), (240, 24)):
        times = safe_times_s(hertz, fps)
        assert times
        assert all(residual_factor(hertz, t) < 1e-9 for t in times)


def test_banding_over_part_of_a_cycle_is_what_the_lines_sample() -> None:
    # independent: the averaged ripple sampled along the lines of one frame, worst of all starting phases
    percent, hertz, exposure, readout = 60.0, 100.0, 1 / 60, 0.003
    lines = np.linspace(0, readout, 301)
    worst = 0.0
    for phase in np.linspace(0, 1 / hertz, 721):
        light = 1 + percent / 100 * np.sinc(hertz * exposure) * np.sin(2 * np.pi * hertz * (phase + lines))
        worst = max(worst, math.log2(light.max() / light.min()))
    assert banding_stops(percent, hertz, exposure, readout) == pytest.approx(worst, abs=2e-3)
    assert banding_stops(percent, hertz, exposure, 0.02) == sine_variation_stops(percent, hertz, exposure)


@pytest.mark.parametrize("cycles", [0.02, 0.1, 0.25, 0.4, 0.49])
@pytest.mark.parametrize(
    ("percent", "exposure"), [(100.0, 1 / 250), (100.0, 1 / 130), (60.0, 1 / 60), (10.0, 0.0)]
)
def test_banding_of_deep_ripple_is_worst_where_it_is_dark(
    percent: float, exposure: float, cycles: float
) -> None:
    # independent: scipy's bounded search for the phase at which first and last line of the averaged ripple
    # differ most; all lines between lie between them, as the ripple rises or falls across the frame
    hertz = 100.0
    deep = percent / 100 * np.sinc(hertz * exposure)

    def alike(phase: float) -> float:
        first, last = (1 + deep * math.sin(2 * math.pi * (phase + shift)) for shift in (0.0, cycles))
        return -math.log2(last / first)

    starts = np.linspace(-0.5, 0.5, 101)
    near = float(starts[np.argmin([alike(s) for s in starts])])
    found = optimize.minimize_scalar(
        alike, bounds=(near - 0.02, near + 0.02), method="bounded", options={"xatol": 1e-9}
    )
    assert banding_stops(percent, hertz, exposure, cycles / hertz) == pytest.approx(-found.fun, abs=1e-6)


@pytest.mark.parametrize("cycles", [0.01, 0.05, 0.2, 0.45, 0.7])
@pytest.mark.parametrize(
    ("duty", "periods"),
    [(0.5, 1.25), (0.2, 0.9), (0.9, 1.4), (0.3, 16.7), (0.7, 0.5), (0.1, 2.95), (0.3, 0.2)],
)
def test_banding_of_pulses_is_what_the_lines_of_a_square_wave_sample(
    duty: float, periods: float, cycles: float
) -> None:
    # independent: a square wave of whole samples summed over exposures that start everywhere in a period, and
    # the largest ratio of any two of them within the lines of one frame
    samples = 10_000
    on = np.tile(np.arange(samples) < round(duty * samples), math.ceil(periods) + 3)
    total = np.concatenate(([0], np.cumsum(on)))
    length, lines = round(periods * samples), round(cycles * samples)
    exposures = (total[length:] - total[:-length])[: samples + lines + 1].astype(float)
    brightest = ndimage.maximum_filter1d(exposures, lines + 1, origin=-((lines + 1) // 2))[:samples]
    least = exposures[:samples]
    got = pulse_banding_stops(duty, 100.0, periods / 100, cycles / 100)
    if least.min() == 0:
        assert got == 12.0
    else:
        assert got == pytest.approx(math.log2((brightest / least).max()), abs=1e-6)
    answer = flicker_answer(
        "key", 100.0, None, periods / 100, frames_per_s=24, readout_s=cycles / 100, duty=duty
    )
    assert answer.banding_stops == got


def test_no_lines_and_no_pulses_make_no_bands() -> None:
    assert pulse_banding_stops(0.3, 100.0, 1 / 60, 0.0) == 0.0
    assert pulse_banding_stops(1.0, 100.0, 1 / 60, 0.02) == 0.0
    assert pulse_banding_stops(0.3, 100.0, 1 / 50, 0.02) == pytest.approx(0.0, abs=1e-9)
    assert banding_stops(100.0, 100.0, 0.0, 0.0) == 0.0
    assert banding_stops(0.0, 100.0, 0.0, 0.02) == 0.0
    assert banding_stops(100.0, 100.0, 0.0, 1e-12) == 12.0


def test_unknown_ripple_is_answered_for_the_worst() -> None:
    answer = flicker_answer("key", 100.0, None, 1 / 60, frames_per_s=24)
    assert not answer.known
    assert answer.region is None
    assert answer.visible
    assert not flicker_answer("key", 100.0, None, 1 / 50, frames_per_s=24).visible
