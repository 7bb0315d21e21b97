"""Lamp ripple against the shutter: exposure differences from frame to frame and across one frame."""

from __future__ import annotations

import math
from typing import Literal

from fillside.planning.figures import PlanningAnswer

Region = Literal["no observable effect", "low risk", "higher risk"]

VISIBLE_STOPS = 0.05
"""Frame-to-frame change or banding taken as visible on a plain wall (common practice, no source)."""
NEVER_SEEN_STOPS = 12.0
"""Value reported for a light that is off for a whole exposure [stops]."""
STEADY_BEAT_HZ = 0.02
"""A beat slower than this takes most of a minute and is reported as drift, not as pulsing."""

ASSUMES_SINE = "the ripple is taken as a sine wave of the stated modulation; sharper ripple is somewhat worse"
ASSUMES_PULSES = "the lamp is taken as fully on or fully off, on for the share of its output"


def modulation_percent(most: float, least: float) -> float:
    """Return the percent modulation, 0..100, of a light that swings between two values.

    100 (max - min) / (max + min), as IEEE Std 1789-2015 and the IES Lighting Handbook define percent flicker.
    Raises ValueError unless 0 <= least <= most and most is above 0.

    >>> modulation_percent(3.0, 1.0)
    50.0
    """
    if not 0 <= least <= most or most <= 0:
        raise ValueError("a light swings between two values with 0 <= least <= most and most above 0")
    return 100 * (most - least) / (most + least)


def residual_factor(ripple_hz: float, exposure_s: float) -> float:
    """Return the share of a sine ripple left after averaging over one exposure, 0..1.

    |sin(pi f T) / (pi f T)|, with `ripple_hz` f [Hz] and `exposure_s` T [s]: the amplitude response of a
    box-car average (any signal-processing textbook).

    >>> round(residual_factor(100, 1 / 60), 4)
    0.1654
    """
    x = math.pi * ripple_hz * exposure_s
    return 1.0 if x == 0 else abs(math.sin(x) / x)


def beat_hz(ripple_hz: float, frames_per_s: float) -> float:
    """Return the frequency [Hz] at which the picture pulses.

    The ripple's distance to the nearest multiple of the frame rate (aliasing of a sampled wave, Shannon); 0
    means that every frame meets the ripple in the same phase.

    >>> round(beat_hz(100, 24))
    4
    """
    return abs(ripple_hz - frames_per_s * round(ripple_hz / frames_per_s))


def _swing_stops(amplitude: float) -> float:
    if amplitude >= 1:
        return NEVER_SEEN_STOPS
    return min(NEVER_SEEN_STOPS, math.log2((1 + amplitude) / (1 - amplitude)))


def sine_variation_stops(percent: float, ripple_hz: float, exposure_s: float) -> float:
    """Return the peak-to-peak difference of exposures over all phases of a sine ripple [stops].

    `percent` is the modulation, `ripple_hz` [Hz] and `exposure_s` [s]. With modulation m and residual r the
    exposures lie within mean (1 +- m r): log2((1 + m r) / (1 - m r)).

    >>> round(sine_variation_stops(100, 100, 1 / 60), 3)
    0.482
    """
    return _swing_stops(percent / 100 * residual_factor(ripple_hz, exposure_s))


def pulse_variation_stops(duty: float, pulse_hz: float, exposure_s: float) -> float:
    """Return the peak-to-peak difference of exposures over all phases of an on-off light [stops].

    `duty` is the share of the time it is on, above 0 and at most 1, else ValueError. An exposure of n periods
    and a rest r holds n whole pulses and between max(0, r - off) and min(r, on) of one more (exact for a
    square wave).

    >>> round(pulse_variation_stops(0.5, 1000, 1 / 800), 3)
    0.585
    """
    return _apart_stops(*_pulse_exposures(duty, exposure_s * pulse_hz))


def _pulse_exposures(duty: float, periods: float) -> tuple[float, float]:
    """Return the least and the most light of an exposure of so many periods, in periods of light at full."""
    if not 0 < duty <= 1:
        raise ValueError("duty is the share of the time the light is on, above 0 and at most 1")
    whole = math.floor(periods + 1e-9)
    rest = max(periods - whole, 0.0)
    return whole * duty + max(0.0, rest - (1 - duty)), whole * duty + min(rest, duty)


def _apart_stops(least: float, most: float) -> float:
    if most <= least:
        return 0.0
    return NEVER_SEEN_STOPS if least <= 0 else min(NEVER_SEEN_STOPS, math.log2(most / least))


def pulse_banding_stops(duty: float, pulse_hz: float, exposure_s: float, readout_s: float) -> float:
    """Return the difference between the brightest and darkest line of a frame in an on-off light [stops].

    From line to line an exposure takes in or leaves out one edge of a pulse at most: its light, in periods,
    changes as fast as the lines go on, f t_readout from first to last. The worst case starts at the least
    light (exact for a square wave).

    >>> round(pulse_banding_stops(0.5, 1000, 1 / 800, 1 / 20_000), 3)
    0.138
    """
    least, most = _pulse_exposures(duty, exposure_s * pulse_hz)
    return _apart_stops(least, min(most, least + pulse_hz * readout_s))


def banding_stops(percent: float, ripple_hz: float, exposure_s: float, readout_s: float) -> float:
    """Return the difference between the brightest and darkest line of a frame read out line by line [stops].

    The lines sample f t_readout cycles of the averaged ripple 1 + A sin p. From half a cycle on, some lines
    meet the crest and some the trough. Below that, with a = pi f t_readout, first and last line lie at p - a
    and p + a. Their ratio is largest where the flank is dark, at sin p = -A cos a, and there it is that of a
    swing of A sin a / sqrt(A^2 sin^2 a + 1 - A^2).

    >>> round(banding_stops(100, 100, 1 / 250, 0.001), 3)
    1.012
    """
    amplitude = percent / 100 * residual_factor(ripple_hz, exposure_s)
    half_way = math.pi * min(ripple_hz * readout_s, 0.5)
    if amplitude == 0 or half_way == 0:
        return 0.0
    along = amplitude * math.sin(half_way)
    return _swing_stops(along / math.hypot(along, math.sqrt(max(0.0, 1 - amplitude**2))))


def safe_times_s(ripple_hz: float, frames_per_s: float | None = None) -> tuple[float, ...]:
    """Return the exposure times [s] that average the ripple away.

    Whole multiples of its period up to one frame; without a frame rate, up to 1/20 s. At twice the mains:
    1/100, 1/50, ... and 1/120, 1/60, ... s (common practice; follows from the box-car average).

    >>> [round(1 / t, 1) for t in safe_times_s(100, 24)]
    [100.0, 50.0, 33.3, 25.0]
    """
    longest = 1 / 20 if frames_per_s is None else 1 / frames_per_s
    most = math.floor(longest * ripple_hz + 1e-9)
    if most > 12:
        multiples = sorted({round(n * ripple_hz / 1000) for n in (1, 2, 4, 8, 10, 16, 20, 33, 40)})
        return tuple(n / ripple_hz for n in multiples if 1 <= n <= most)
    return tuple(n / ripple_hz for n in range(1, most + 1))


def shutter_angle_deg(exposure_s: float, frames_per_s: float) -> float:
    """Return the shutter angle [degrees] of an exposure time: 360 times frame rate times time.

    >>> round(shutter_angle_deg(1 / 50, 24), 1)
    172.8
    """
    return 360 * frames_per_s * exposure_s


def ieee_1789_limits_percent(ripple_hz: float) -> tuple[float | None, float | None]:
    """Return the modulation [percent] up to which there is no observable effect, and low risk.

    IEEE Std 1789-2015: 0.01 f and 0.025 f below 90 Hz; 0.0333 f and 0.08 f to 1250 Hz; 0.0333 f and no limit
    (None) to 3000 Hz; none above. Raises ValueError for a rate that is not above 0.

    >>> ieee_1789_limits_percent(60)
    (0.6, 1.5)
    """
    if ripple_hz <= 0:
        raise ValueError("a ripple has a rate above 0 Hz")
    if ripple_hz < 90:
        return 0.01 * ripple_hz, 0.025 * ripple_hz
    if ripple_hz <= 1250:
        return 0.0333 * ripple_hz, 0.08 * ripple_hz
    return (0.0333 * ripple_hz, None) if ripple_hz <= 3000 else (None, None)


def ieee_1789_region(ripple_hz: float, percent: float) -> Region:
    """Return the region of IEEE Std 1789-2015 in which a ripple lies."""
    none, low = ieee_1789_limits_percent(ripple_hz)
    if none is None or percent <= none:
        return "no observable effect"
    return "low risk" if low is None or percent <= low else "higher risk"


class FlickerAnswer(PlanningAnswer):
    """The effect of one head's ripple on the picture at the camera's shutter.

    `variation_stops` is the largest difference between any two exposures, `banding_stops` that between two
    lines of one frame, and `beat_hz` the rate at which the picture pulses (None without a frame rate). For an
    unknown ripple the figures are those of the worst case, all light going out twice a mains cycle.
    """

    head: str
    ripple_hz: float
    modulation_percent: float
    known: bool
    pulsed: bool
    variation_stops: float
    banding_stops: float
    beat_hz: float | None
    bands: float
    visible: bool
    safe_times_s: tuple[float, ...]
    region: Region | None
    assumes: str


def flicker_answer(
    head: str,
    ripple_hz: float,
    percent: float | None,
    exposure_s: float,
    *,
    frames_per_s: float | None = None,
    readout_s: float = 0.02,
    duty: float | None = None,
) -> FlickerAnswer:
    """Return the effect of a ripple of `percent` modulation (None: unknown, the worst case) at a shutter [s].

    `ripple_hz` [Hz], `frames_per_s` [Hz] and `readout_s` [s] describe lamp and camera. With `duty` (0..1] the
    light is switched on and off instead.
    """
    pulsed = duty is not None
    depth = 100.0 if percent is None else percent
    if duty is not None:
        variation = pulse_variation_stops(duty, ripple_hz, exposure_s)
        banding = pulse_banding_stops(duty, ripple_hz, exposure_s, readout_s)
        depth = 0.0 if duty == 1 else 100.0
    else:
        variation = sine_variation_stops(depth, ripple_hz, exposure_s)
        banding = banding_stops(depth, ripple_hz, exposure_s, readout_s)
    known = percent is not None or pulsed
    return FlickerAnswer(
        head=head,
        ripple_hz=ripple_hz,
        modulation_percent=depth,
        known=known,
        pulsed=pulsed,
        variation_stops=variation,
        banding_stops=banding,
        beat_hz=None if frames_per_s is None else beat_hz(ripple_hz, frames_per_s),
        bands=ripple_hz * readout_s,
        visible=max(variation, banding) > VISIBLE_STOPS,
        safe_times_s=safe_times_s(ripple_hz, frames_per_s),
        region=ieee_1789_region(ripple_hz, depth) if known else None,
        assumes=ASSUMES_PULSES if pulsed else ASSUMES_SINE,
    )
