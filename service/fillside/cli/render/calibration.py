"""A calibration as lines of text: heads, ambient light, uncertainty, readings, and the next one to take."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from fillside.belief.expanded_uncertainty import EXPANDED_NOTE, expanded
from fillside.calibration.routine.prompts import place_words, receptor_words
from fillside.cli.render.readings import display_value, interval_text, suspects
from fillside.rig.calibration import CalibratedHead, Calibration, SuggestedReading, WeighedReading
from fillside.rig.tables.model import Rig
from fillside.text import numbers, uncertainty


def fit_lines(rig: Rig, calibration: Calibration) -> list[str]:
    """Format a calibration."""
    entries = calibration.readings_in_order()
    lines = [f"{rig.rig.name}: {len(entries)} reading{'' if len(entries) == 1 else 's'}", ""]
    lines += numbers.table([_HEADINGS, *(_head(name, head) for name, head in calibration.heads.items())])
    lines += ["", *_room(calibration)]
    lines += ["", *numbers.table(_readings(entries), right=(0, 5, 6))]
    lines += ["", *suspects(entries)] if any(entry.why for entry in entries) else []
    lines += ["", *_next(rig, calibration.next)]
    return [*lines, "", EXPANDED_NOTE]


_HEADINGS = ["head", "on the axis at full", "seems to be", "dimming", "its light at the marks"]


def _head(name: str, head: CalibratedHead) -> list[str]:
    return [
        name,
        numbers.NOTHING if head.intensity_cd is None else f"{_digits(head.intensity_cd)} cd",
        _source(head),
        _dimming(head),
        interval_text(head.sigma_stops),
    ]


def _source(head: CalibratedHead) -> str:
    parts = []
    if head.diameter_m is not None:
        parts.append(f"{head.diameter_m:.1f} m across")
    if head.setback_m is not None:
        parts.append(f"{head.setback_m:.1f} m back")
    if (head.bounce or 0.0) >= 0.01:
        parts.append(f"bounce {numbers.percent(head.bounce)}")
    if head.room is not None:
        parts.append(f"room {numbers.lux(head.room.mean)}")
    return ", ".join(parts)


def _dimming(head: CalibratedHead) -> str:
    if head.curve is None:
        return "none"
    if not head.readings:
        return "not read: as the file says"
    if head.exponent is None:
        return "as the file says"
    family = (head.dimmer or "").removesuffix(", bent")
    parts = [f"power {head.exponent:.1f}" if family == "power" else family or "logarithmic"]
    if (head.dead_zone or 0) >= 0.005:
        parts.append(f"dark to {numbers.percent(head.dead_zone)}")
    if head.full_from is not None and head.full_from <= 0.995:
        parts.append(f"full from {numbers.percent(head.full_from)}")
    if head.floor:
        parts.append(f"floor {numbers.percent(head.floor)}")
    return ", ".join(parts)


def _digits(value: float) -> str:
    """Format a value to three digits, since readings are accurate to a few per cent."""
    return f"{float(f'{value:.3g}'):.0f}" if value >= 100 else f"{value:.3g}"


def _room(calibration: Calibration) -> Iterator[str]:
    ambient = calibration.ambient
    if ambient is not None:
        toward = (ambient.toward_key, ambient.toward_fill, ambient.toward_camera)
        key, fill, camera = (numbers.lux(value) for value in toward)
        yield f"with all heads out: {key} toward key, {fill} toward fill, {camera} toward camera"
    for mark, sigmas in calibration.marks.items():
        ratio = interval_text(sigmas.ratio_sigma_stops)
        exposure = interval_text(sigmas.exposure_sigma_stops)
        yield f"held at {mark}: ratio {ratio}, exposure {exposure}"
    position_sd_m = calibration.hand_sd_m
    if position_sd_m is not None:
        within_cm = max(1.0, 200 * position_sd_m)
        yield f"the meter seems to have been within {within_cm:.0f} cm of where it was said to be"


def _readings(entries: Sequence[WeighedReading]) -> list[list[str]]:
    rows = [["no.", "lit", "level", "at", "shows", "expected", "off by", ""]]
    for one in entries:
        rows.append(
            [
                str(one.number),
                "+".join(one.heads) or "none",
                numbers.levels(one.levels),
                numbers.metres(one.at or ()),
                display_value(one.value, one.unit),
                numbers.lux(one.expected_lux),
                numbers.stops(one.residual_stops),
                "left out" if one.left_out else "suspect" if one.suspect else "",
            ]
        )
    return rows


def _next(rig: Rig, asked: SuggestedReading | None) -> Iterator[str]:
    if asked is None or asked.at is None or asked.expected_lux is None:
        return
    head = asked.head or ""
    lit = f"{head} alone at {numbers.percent(asked.level)}" if head else "all heads out"
    if asked.enough:
        yield "One more reading would help little; the best would be:"
    else:
        yield "The reading that would help most now:"
    light = uncertainty.lux(asked.expected_lux, expanded(asked.sigma_stops or 0.0))
    yield f"{lit}, about {light} ({interval_text(asked.sigma_stops)}). {place_words(rig, asked.at)}"
    yield receptor_words(asked.receptor, asked.facing, head)
    before = interval_text(asked.ratio_sigma_stops), interval_text(asked.exposure_sigma_stops)
    after = interval_text(asked.ratio_sigma_after_stops), interval_text(asked.exposure_sigma_after_stops)
    yield f"The ratio would go from {before[0]} to {after[0]}, the exposure from {before[1]} to {after[1]}."
