"""Steps and verdicts of a guided routine as lines of text."""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import wrap
from typing import Any

from fillside.belief.result.expanded_uncertainty import around, expanded
from fillside.cli.meter_display import DisplayUnit, display_text
from fillside.cli.render.readings import interval_text
from fillside.text import numbers

Step = dict[str, Any]
"""The routine as the daemon's state has it."""
WIDTH = 92
NAMES = {"calibrate": "Calibration", "lineup": "Line-up", "round": "Round"}
STAGES = {
    "prepare": "before metering",
    "warm": "warming up",
    "read": "reading",
    "verify": "checking",
    "done": "done",
}


class StepText:
    """Formats one step after another; `constants` are the receptors' calibration constants of ISO 2720.

    Each step names the uncertainty of the light, and its value at the step before.
    """

    def __init__(self, constants: Mapping[str, float]) -> None:
        self._constants = constants
        self._sigmas_before: tuple[float | None, ...] = (None, None, None)

    def lines(self, step: Step, unit: DisplayUnit) -> list[str]:
        """Format a step, with the expected value in the meter's unit."""
        name, stage = NAMES[step["routine"]], STAGES[step["stage"]]
        title = step["title"]
        if step["verdict"] is None and step["stage"] == "done":
            return ["", f"{name}: {title}", *(f"  {text}" for text in step["says"]), *self._progress(step)]
        if step["stage"] == "done":
            return _verdict(step)
        if step["stage"] == "prepare":
            lines = ["", f"{name}: {title[:1].lower()}{title[1:]}"]
        else:
            lines = ["", f"{name}, {stage}, {count(step)}: {title}", *self._progress(step)]
        for text in step["says"]:
            lines += wrap(text, WIDTH, initial_indent="  ", subsequent_indent="  ")
        asks = step["asks"]
        if asks is not None and asks["expected_lux"] is not None:
            sigma = asks["sigma_stops"]
            stops = None if sigma is None else expanded(sigma)
            light = display_text(asks["expected_lux"], self._constants[asks["receptor"]], unit, stops)
            lines.append(f"  Expect about {light}{'' if stops is None else f' {around(stops)}'}.")
        if asks is not None and asks["expected_m"] is not None:
            lines.append(f"  It stood {asks['expected_m']:.2f} m away.")
        return lines

    def _progress(self, step: Step) -> list[str]:
        """Format the uncertainty of the light, and its value before the last reading."""
        names = ("ratio", "exposure", "face")
        sigmas, before = tuple(step[f"{name}_sigma_stops"] for name in names), self._sigmas_before
        if None in sigmas[:2]:
            return []
        self._sigmas_before = sigmas
        parts = [
            _change(name, interval_text(sigma), None if was is None else interval_text(was))
            for name, sigma, was in zip(names, sigmas, before, strict=True)
            if sigma is not None
        ]
        return [f"  So far: {', '.join(parts)}."]


def _change(name: str, interval: str, before: str | None) -> str:
    was = "" if before is None or before == interval else f" (was {before})"
    return f"{name} {interval}{was}"


def _verdict(step: Step) -> list[str]:
    found = step["verdict"]
    rows = [
        ["", "wanted", "metered", "off by"],
        [
            "ratio",
            numbers.target_ratio(found["ratio_wanted"]),
            numbers.ratio(found["ratio_metered"]),
            numbers.stops(found["ratio_off_stops"]),
        ],
        [
            "exposure",
            numbers.lux(found["exposure_wanted_lux"]),
            numbers.lux(found["exposure_metered_lux"]),
            numbers.stops(found["exposure_off_stops"]),
        ],
    ]
    lines = ["", f"{NAMES[step['routine']]}: {step['title'].lower()}", *numbers.table(rows), ""]
    return [*lines, *(line for text in step["says"] for line in wrap(text, WIDTH))]


def count(step: Step) -> str:
    """Number a reading; the total is the most that are asked for.

    >>> count({"stage": "read", "number": 7, "of": 9}), count({"stage": "read", "number": 9, "of": 9})
    ('7 of about 9', '9, probably the last')
    >>> count({"stage": "verify", "number": 3, "of": 3}), count({"stage": "warm", "number": 3, "of": 3})
    ('3 of 3', '3, until two agree')
    """
    number, of = step["number"], step["of"]
    if step["stage"] == "warm":
        return f"{number}, until two agree"
    if step["stage"] != "read":
        return f"{number} of {of}"
    return f"{number} of about {of}" if number < of else f"{number}, probably the last"
