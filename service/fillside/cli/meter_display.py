"""The display of a light meter: readings as people type them, and the value that it will show for a light."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from fillside.cli.parameters import parse_digits, plain
from fillside.photometry.exposure import (
    NOMINAL_APERTURES,
    aperture_from_lux,
    ev_from_lux,
    f_stop_reading,
    foot_candles_from_lux,
)
from fillside.rig.problems import LONGEST_SHOWN, quoted
from fillside.text import uncertainty

UNITS = {"lux": "lux", "lx": "lux", "fc": "fc", "ev": "ev100", "ev100": "ev100"}
TAPE_UNITS = {"m": 1.0, "ft": 0.3048}
"""Metres in each unit of a tape."""
F_STOP = "f-stop"
FARTHEST_OFF = 4.0
"""A bare number of metres that is farther than so many times what is expected is asked about."""
_NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*([a-z0-9]*)", re.IGNORECASE | re.ASCII)
_APERTURE = re.compile(
    r"(f\s*/?\s*)?(\d+(?:[.,]\d+)?)\s*(\+\s*\d*[.,]?\d+)?(\s*@.*)?", re.IGNORECASE | re.DOTALL | re.ASCII
)
_FULL_STOPS = (0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0, 45.0, 64.0, 90.0, 128.0)


@dataclass(frozen=True)
class DisplayUnit:
    """The unit of a meter's display; f-stops need an ISO and a time [s]."""

    kind: str = "lux"
    iso: float | None = None
    time_s: float | None = None

    @classmethod
    def of_camera(cls, camera: Mapping[str, Any]) -> DisplayUnit:
        """Lux, and for f-stops the settings of the camera in the daemon's state."""
        time_s = _seconds(camera.get("shutter"))
        if time_s is None and camera.get("shutter_angle") and camera.get("fps"):
            time_s = float(camera["shutter_angle"]) / 360 / float(camera["fps"])
        iso = camera.get("iso")
        return cls(iso=None if iso is None else float(iso), time_s=time_s)

    @property
    def name(self) -> str:
        return {"lux": "lx", "fc": "fc", "ev100": "EV at ISO 100", F_STOP: "f-stop"}[self.kind]

    @property
    def settings(self) -> str:
        """ISO and time in the form of an f-stop reading.

        Raises ValueError where one of them is unknown.
        """
        if self.iso is None or self.time_s is None:
            raise ValueError("the camera's ISO or shutter is not known; write such as f/5.6+0.7@400@1/50")
        return f"@{self.iso:g}@{_time(self.time_s)}"


def parse_reading(text: str, unit: DisplayUnit) -> tuple[dict[str, Any], DisplayUnit]:
    """Parse a typed reading into the members of a `read` order and its unit.

    A bare number is taken in `unit`, that of the previous reading. Raises ValueError for any other text.

    >>> parse_reading("640", DisplayUnit())[0], parse_reading("60 fc", DisplayUnit())[0]
    ({'value': 640.0, 'unit': 'lux'}, {'value': 60.0, 'unit': 'fc'})
    >>> parse_reading("5.6+0.7", DisplayUnit(iso=400, time_s=0.02))[0]
    {'unit': 'f/5.6+0.7@400@1/50'}
    """
    typed = plain(text).strip()
    number = _NUMBER.fullmatch(typed)
    if number is not None and not (unit.kind == F_STOP and not number[2]):
        name = UNITS.get(number[2].lower()) if number[2] else unit.kind
        if name is None:
            raise ValueError(f"{quoted(number[2])} is not a unit; {_EXAMPLES}")
        value = parse_digits(number[1].replace(",", "."))
        if value < 0 and name != "ev100":
            raise ValueError(f"{quoted(number[1])} is negative; light is 0 or more")
        return {"value": value, "unit": name}, replace(unit, kind=name)
    aperture = _APERTURE.fullmatch(typed)
    if aperture is None or not (aperture[1] or aperture[3] or aperture[4] or unit.kind == F_STOP):
        raise ValueError(f"{quoted(typed)} is not what a meter shows; {_EXAMPLES}")
    return {"unit": _f_stop(aperture, unit)}, replace(unit, kind=F_STOP)


def parse_tape(text: str, bare_unit: str = "") -> dict[str, Any] | None:
    """Parse a typed distance into the members of a `read` order; None for text that is none.

    A bare number is a distance only where `bare_unit` says in what.

    >>> parse_tape("1,62 m"), parse_tape("5.33ft"), parse_tape("640"), parse_tape("1.6", "m")
    ({'value': 1.62, 'unit': 'm'}, {'value': 5.33, 'unit': 'ft'}, None, {'value': 1.6, 'unit': 'm'})
    """
    number = _NUMBER.fullmatch(plain(text).strip())
    unit = bare_unit if number is not None and not number[2] else "" if number is None else number[2].lower()
    if number is None or unit not in TAPE_UNITS:
        return None
    return {"value": parse_digits(number[1].replace(",", ".")), "unit": unit}


def parse_asked_tape(text: str, expected_m: float | None, bare_unit: str) -> dict[str, Any] | None:
    """Parse the answer to the question how far a head is; None for what the meter shows instead.

    Raises ValueError for a bare number that is no such distance, as of somebody who has read the meter.

    >>> parse_asked_tape("1.86", 1.62, "m"), parse_asked_tape("104 lux", 1.62, "m")
    ({'value': 1.86, 'unit': 'm'}, None)
    """
    tape, asked_bare = parse_tape(text, bare_unit), parse_tape(text) is None
    if tape is None or not asked_bare or expected_m is None:
        return tape
    distance_m = tape["value"] * TAPE_UNITS[bare_unit]
    if distance_m > FARTHEST_OFF * expected_m:
        typed = quoted(plain(text).strip())
        raise ValueError(f"{typed} of what? It stood {expected_m:.2f} m away; say m, ft, or lux of the meter")
    return tape


_EXAMPLES = "such as 640, 640 lux, 60 fc, 8.3 ev, or 5.6+0.7 for f/5.6 and seven tenths"


def _f_stop(found: re.Match[str], unit: DisplayUnit) -> str:
    tenths = "" if found[3] is None else re.sub(r"\s", "", found[3]).replace(",", ".")
    if tenths and float(tenths) >= 1:
        raise ValueError(f"{quoted(tenths)} is a stop or more; tenths go from +0.1 to +0.9")
    settings = re.sub(r"\s", "", found[4]) if found[4] else unit.settings
    reading = f"f/{found[2].replace(',', '.')}{tenths}{settings}"
    if len(reading) > LONGEST_SHOWN:
        raise ValueError(f"{quoted(reading)} is not what a meter shows; {_EXAMPLES}")
    f_stop_reading(reading)
    return reading


def display_text(
    lux: float | None, constant: float, unit: DisplayUnit, within_stops: float | None = None
) -> str:
    """Format an illuminance as the meter will show it, with the digits that its uncertainty allows.

    >>> display_text(642.0, 250.0, DisplayUnit(), 1.0), display_text(640.0, 250.0, DisplayUnit("ev100"))
    ('640 lx', '8.0 EV')
    >>> display_text(1000.0, 250.0, DisplayUnit(F_STOP, 400, 0.02))
    'f/5.6'
    """
    if lux is None or not lux > 0 or unit.kind == "lux":
        return uncertainty.lux(lux, within_stops)
    if unit.kind == "fc":
        return uncertainty.lux(foot_candles_from_lux(lux), within_stops).replace("lx", "fc")
    if unit.kind == "ev100":
        return f"{ev_from_lux(lux, constant):.1f} EV"
    if unit.iso is None or unit.time_s is None:
        return uncertainty.lux(lux, within_stops)
    exact = aperture_from_lux(lux, constant, unit.time_s, unit.iso)
    tenths = round(20 * math.log2(exact / NOMINAL_APERTURES[_FULL_STOPS[0]]))
    if not 0 <= tenths < 10 * len(_FULL_STOPS):
        return uncertainty.lux(lux, within_stops)
    part = tenths % 10
    return f"f/{_FULL_STOPS[tenths // 10]:g}" + (f" and {part} tenth{'s' * (part > 1)}" if part else "")


def _seconds(shutter: Any) -> float | None:
    if shutter is None or isinstance(shutter, int | float):
        return None if shutter is None else float(shutter)
    first, _, second = str(shutter).removesuffix("s").partition("/")
    return float(first) / float(second or 1)


def _time(time_s: float) -> str:
    return f"1/{1 / time_s:g}" if time_s < 1 else f"{time_s:g}"
