"""Readings and calibrations as tables."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from typing import Any

from fillside.belief.result.expanded_uncertainty import EXPANDED_NOTE, around, expanded
from fillside.rig.calibration import WeighedReading
from fillside.text import numbers

Row = dict[str, Any]
"""A reading or a calibration as the daemon answers it."""


def local_time(unix_s: float) -> str:
    return time.strftime("%Y-%m-%d %H:%M", time.localtime(unix_s))


def reading_lines(found: Sequence[Row]) -> list[str]:
    """Format readings, tape measures and events, the oldest first."""
    if not found:
        return ["no readings yet; `fillside calibrate` asks for them one by one"]
    rows = [["no.", "taken", "for", "lit", "level", "shows", "at", "receptor", ""]]
    for one in found:
        remarks = "; ".join(filter(None, (_struck(one), one["body"].get("note"))))
        rows.append([str(one["id"]), local_time(one["at"]), one["purpose"], *_shown(one), remarks])
    return numbers.table(rows, right=(0,))


def _shown(one: Row) -> tuple[str, str, str, str, str]:
    """Format what was lit, its level, what the meter or the tape showed, where, and the receptor."""
    body = one["body"]
    if "distance_m" in body:  # a tape, told by itself or asked for in a line-up
        return body["head"], "", f"{body['distance_m']:.2f} m", numbers.metres(body["at"]), ""
    if one["purpose"] == "event":
        return body["head"], "", body["kind"], "", ""
    facing = body.get("facing", "head")
    return (
        "+".join(body.get("heads") or ()) or "none",
        numbers.levels(body.get("levels") or ()),
        display_value(body.get("value"), body.get("unit", "lux")),
        numbers.metres(body["at"]),
        f"{body.get('receptor', 'flat')} to {'the head' if facing == 'head' else facing}",
    )


def _struck(one: Row) -> str:
    return "" if one["struck"] is None else f"does not count: {one['struck']}"


def display_value(value: float | None, unit: str) -> str:
    """Format the value that a meter showed.

    >>> display_value(640.0, "lux"), display_value(8.3, "ev100"), display_value(None, "f/5.6+0.7@400@1/50")
    ('640 lx', '8.3 EV', 'f/5.6+0.7 at ISO 400, 1/50 s')
    """
    if unit.startswith("f/"):
        stop, iso, shutter = unit.split("@")
        return f"{stop} at ISO {iso}, {shutter} s"
    names = {"lux": "lx", "fc": "fc", "ev100": "EV"}
    return f"{value:g} {names.get(unit, unit)}"


def calibration_lines(found: Sequence[Row]) -> list[str]:
    """Format calibrations, the oldest first, with the one in use marked."""
    if not found:
        return ["no calibrations yet; `fillside calibrate` makes one"]
    rows = [["", "no.", "made", "readings", "meter", "ratio at the marks", "exposure"]]
    for one in found:
        ratio, exposure = (_at_marks(one["body"], key) for key in ("ratio", "exposure"))
        meter = one.get("meter") or {}
        receptor = f"{meter.get('receptor', '')} {meter['constant']:g}" if meter.get("constant") else ""
        receptor = receptor or str(meter.get("receptor", ""))
        used = "in use" if one["used"] else ""
        count = str(len(one["readings"])) if one["readings"] else "imported"
        rows.append([used, str(one["id"]), local_time(one["at"]), count, receptor, ratio, exposure])
    return [
        *numbers.table(rows, right=(1, 3)),
        "",
        f"{EXPANDED_NOTE} `fillside calibrations use NUMBER` goes back to one.",
    ]


def then_lines(found: Sequence[Row]) -> list[str]:
    """Format the calibration that was in use at a time, with what it knows of each head."""
    if not found:
        return ["no calibration that is still kept was in use then"]
    rows = [["head", "on the axis at full", "its light at the marks"]]
    for name, head in found[0]["body"]["heads"].items():
        cd = head.get("intensity_cd")
        intensity = numbers.NOTHING if cd is None else f"{float(f'{cd:.3g}'):g} cd"
        rows.append([name, intensity, interval_text(head.get("sigma_stops"))])
    return [*calibration_lines(found)[:2], "", *numbers.table(rows), "", EXPANDED_NOTE]


def comparison_lines(found: Row) -> list[str]:
    """Format what two calibrations differ by."""
    names = [
        "the rig file alone" if own is None else f"calibration {own['id']}, {local_time(own['at'])}"
        for own in (found["one"], found["other"])
    ]
    marks = list(next(iter(found["heads"].values()))["at_marks"])
    rows = [["head", *marks, "at most"]]
    for name, head in found["heads"].items():
        stops = [numbers.stops(head["at_marks"][mark]) for mark in marks]
        rows.append([name, *stops, interval_text(head["sigma_stops"])])
    toward = [
        f"{numbers.lux(one)} then {numbers.lux(other)} toward {side}"
        for side, one, other in zip(("key", "fill", "camera"), *found["ambient"], strict=True)
    ]
    return [
        f"{names[1]}, over {names[0]}: each head's light at full",
        *numbers.table(rows),
        "",
        f"with all heads out: {', '.join(toward)}",
        "",
        f"{EXPANDED_NOTE} As if the two shared no reading.",
    ]


def _at_marks(body: Row, quantity: str) -> str:
    sigmas = [mark.get(f"{quantity}_sigma_stops") for mark in (body.get("marks") or {}).values()]
    found = [sigma for sigma in sigmas if sigma is not None]
    return interval_text(max(found)) if found else numbers.NOTHING


def interval_text(sigma_stops: float | None) -> str:
    """Format the expanded uncertainty for a standard one [stops].

    >>> interval_text(0.0321), interval_text(0.44), interval_text(None)
    ('±0.06 stop', '±0.9 stop', '–')
    """
    return numbers.NOTHING if sigma_stops is None else around(expanded(sigma_stops))


def suspects(entries: Sequence[WeighedReading]) -> Iterator[str]:
    """Yield a line for each doubtful reading, with the reason."""
    for one in entries:
        if one.why:
            left = " (left out)" if one.left_out else ""
            yield f"reading {one.number}: {one.why}{left}"
