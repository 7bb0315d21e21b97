"""Exposure of a camera by incident light (ISO 2720), nominal apertures, and readings of light meters.

Symbols: N f-number, t exposure time [s], S ISO arithmetic speed, C incident-light constant of ISO 2720
[lx s], E illuminance [lx]. N^2 / t = E S / C, and the exposure value is EV = log2(N^2 / t).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from types import MappingProxyType

LUX_PER_FOOT_CANDLE = 1 / 0.3048**2
"""One lumen per square foot, in lux; the international foot is exactly 0.3048 m."""

_THIRD_STOP_NAMES = (
    "0.5 0.56 0.63 0.7 0.8 0.9 1 1.1 1.2 1.4 1.6 1.8 2 2.2 2.5 2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 "
    "14 16 18 20 22 25 29 32 36 40 45 51 57 64 72 80 90 102 114 128"
)
NOMINAL_APERTURES = MappingProxyType(
    {float(name): 2.0 ** ((k - 6) / 6) for k, name in enumerate(_THIRD_STOP_NAMES.split())}
)
"""F-number 2^(k/6) by nominal third-stop name (full stops: ISO 517; thirds: common practice)."""

HALF_STOP_NAMES = frozenset((0.6, 0.85, 1.7, 2.4, 3.3, 4.8, 6.7, 9.5, 19.0, 27.0, 38.0, 54.0))
"""Names between full stops that only scales in half stops have (common practice)."""


def exact_aperture(aperture: float) -> float:
    """Return the exact f-number of a nominal third-stop name; return any other value unchanged.

    Raises:
        ValueError: the aperture is not finite and above 0.

    >>> exact_aperture(5.6) == 2**2.5, exact_aperture(5.7)
    (True, 5.7)
    """
    return float(NOMINAL_APERTURES.get(_positive(aperture, "an aperture"), aperture))


def target_lux(constant: float, aperture: float, time_s: float, iso: float, stops: float = 0.0) -> float:
    """Return the illuminance for correct exposure, E = C N^2 / (t S) 2^stops.

    Parameters:
        constant: incident-light constant C [lx s].
        aperture: f-number; a nominal third-stop name stands for its exact value.
        time_s: exposure time [s], taken literally.
        iso: ISO arithmetic speed.
        stops: light lost to filters and other attenuation [stops].

    Returns:
        Illuminance [lx], above 0.

    Raises:
        ValueError: an input other than `stops` is not finite and above 0.

    Reference: ISO 2720, incident light.

    >>> round(target_lux(250, 5.6, 1 / 50, 400), 6)
    1000.0
    """
    n = exact_aperture(aperture)
    return _positive(constant, "C") * n * n / _exposed(time_s, iso) * math.exp2(stops)


def aperture_from_lux(lux: float, constant: float, time_s: float, iso: float) -> float:
    """Return the f-number for correct exposure at an illuminance `lux` [lx] (ISO 2720).

    Raises:
        ValueError: an input is not finite and above 0.
    """
    return math.sqrt(_positive(lux, "illuminance") * _exposed(time_s, iso) / _positive(constant, "C"))


def exposure_value(aperture: float, time_s: float) -> float:
    """Return the exposure value EV = log2(N^2 / t) of an aperture and an exposure time [s].

    >>> round(exposure_value(8, 1 / 125), 4)
    12.9658
    """
    return math.log2(exact_aperture(aperture) ** 2 / _positive(time_s, "an exposure time"))


def lux_from_ev(ev: float, constant: float, iso: float = 100.0) -> float:
    """Convert an incident reading in EV at a speed to illuminance [lx]: E = C 2^EV / S.

    >>> lux_from_ev(8, 250)
    640.0
    """
    return _positive(constant, "C") * math.exp2(ev) / _positive(iso, "an ISO speed")


def ev_from_lux(lux: float, constant: float, iso: float = 100.0) -> float:
    """Convert an illuminance above 0 [lx] to incident EV at a speed."""
    light = _positive(lux, "illuminance") * _positive(iso, "an ISO speed")
    return math.log2(light / _positive(constant, "C"))


def stops_between(light: float, than: float) -> float:
    """Return log2(light / than), the stops of `light` over `than`; both above 0 and in the same unit.

    >>> stops_between(400.0, 100.0)
    2.0
    """
    return math.log2(_positive(light, "light") / _positive(than, "light"))


def lux_from_foot_candles(foot_candles: float) -> float:
    """Convert foot-candles to lux."""
    return foot_candles * LUX_PER_FOOT_CANDLE


def foot_candles_from_lux(lux: float) -> float:
    """Convert lux to foot-candles."""
    return lux / LUX_PER_FOOT_CANDLE


_F_STOP = re.compile(
    r"f/?(?P<aperture>\d+(?:\.\d+)?)(?P<stops>[+-]\d*\.?\d+)?@(?:iso)?(?P<iso>\d+(?:\.\d+)?)"
    r"@(?P<time>1/\d+(?:\.\d+)?|\d+(?:\.\d+)?)\s*s?",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class FStopReading:
    """A meter's display in f-stops: aperture plus tenths, at a speed and an exposure time."""

    aperture: float
    stops: float
    iso: float
    time_s: float

    def lux(self, constant: float) -> float:
        """Return the illuminance [lx] for the receptor's constant C [lx s]."""
        return target_lux(constant, self.aperture, self.time_s, self.iso, self.stops)


def f_stop_reading(text: str) -> FStopReading:
    """Parse ``f/4@400@1/50`` or, with tenths, ``f/5.6+0.7@400@1/50``.

    Raises:
        ValueError: the text is anything else.

    >>> f_stop_reading("f/5.6+0.7@400@1/50")
    FStopReading(aperture=5.6, stops=0.7, iso=400.0, time_s=0.02)
    """
    match = _F_STOP.fullmatch(re.sub(r"\s*([-+@/])\s*", r"\1", text.strip()))
    if match is None:
        raise ValueError(f'{text!r} is not an f-stop at ISO and shutter, such as "f/5.6+0.7@400@1/50"')
    first, _, second = match["time"].partition("/")
    if not float(second or 1):
        raise ValueError(f"{text!r} has a shutter time of 1/0")
    reading = FStopReading(
        _positive(float(match["aperture"]), "an aperture"),
        float(match["stops"] or 0),
        _positive(float(match["iso"]), "an ISO speed"),
        _positive(float(first) / float(second or 1), "an exposure time"),
    )
    if abs(reading.stops) >= 10:
        raise ValueError(f"{text!r} is more than ten stops off its aperture")
    return reading


def lux_from_reading(value: float | None, unit: str, constant: float) -> float:
    """Convert one meter reading to illuminance [lx].

    Parameters:
        value: the number read; if `unit` is an f-stop, None or its f-number.
        unit: ``lux``, ``fc`` or ``ev100``, or the whole reading as an f-stop such as ``f/4@400@1/50``.
        constant: C of the receptor used [lx s]; lux and foot-candles do not depend on it.

    Raises:
        ValueError: the input is not a reading, such as negative lux.

    >>> lux_from_reading(8.0, "ev100", 250), lux_from_reading(None, "f/4@400@1/50", 250)
    (640.0, 500.0)
    """
    kind = unit.strip().lower()
    if kind.startswith("f/"):
        reading = f_stop_reading(kind)
        if value is not None and value != reading.aperture:
            raise ValueError(f"the value {value:g} is not the f-number of {unit}; leave it empty")
        return reading.lux(constant)
    if value is None or not math.isfinite(value):
        raise ValueError(f"a reading in {unit} needs a number, not {value}")
    if kind == "ev100":
        if abs(value) > 30:
            raise ValueError(f"{value:g} EV at ISO 100 is not a light level; from -30 to 30")
        return lux_from_ev(value, constant)
    if kind not in ("lux", "fc"):
        raise ValueError(
            f"{unit!r} is not a unit of light; lux, fc, ev100, or an f-stop such as f/4@400@1/50"
        )
    if value < 0:
        raise ValueError(f"{value:g} {kind} is negative; light is 0 or more")
    return value if kind == "lux" else lux_from_foot_candles(value)


def _exposed(time_s: float, iso: float) -> float:
    exposed = _positive(time_s, "an exposure time") * _positive(iso, "an ISO speed")
    # The product of two tiny numbers can underflow to 0.
    return _positive(exposed, "exposure time times ISO speed")


def _positive(value: float, what: str) -> float:
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{what} is a finite number above 0, not {value}")
    return value
