"""A calibration as lines of text: heads, ambient light, uncertainty, readings, and the next one to take."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from fillside.belief.belief import Belief
from fillside.belief.evidence import Evidence
from fillside.belief.result.expanded_uncertainty import EXPANDED_NOTE, around, expanded
from fillside.belief.result.figure_uncertainty import (
    ambient_uncertainty,
    direct_lux,
    intensity_sd_stops,
    output_sd_stops,
    room_sd_stops,
    steps_believed,
    tapes_off_m,
)
from fillside.cli.render.readings import display_value, interval_text, suspects
from fillside.metering.routine.prompts import known_words, measuring_words, place_words, receptor_words
from fillside.photometry.dimming import DimmingCurve, curve
from fillside.rig.calibration import (
    CalibratedAmbient,
    CalibratedCurve,
    CalibratedHead,
    Calibration,
    SuggestedReading,
    WeighedReading,
)
from fillside.rig.notation import percent, stop_noun
from fillside.rig.tables.model import Rig
from fillside.text import numbers, uncertainty

COMPARED_LEVELS = np.linspace(0.1, 1.0, 46)
"""Levels at which a learned curve is held against the standard ones: lower ones are hardly ever used."""
STANDARD = ("linear", "square", "log", "lightness")
_ALIKE_STOPS = 0.4
"""A curve that is further than this from every standard one has a shape of its own."""
_MOST_LOWEST = 0.9
"""Above this level readings say nothing of the shape."""
_LEAST_OUTPUT, _SLACK = 1e-6, 1e-6
_FINE_LEVELS = tuple(level / 200 for level in range(1, 201))
_DARK_OUTPUT, _LEAST_DARK_LEVEL = 1e-4, 0.02
_FULL_OUTPUT, _MOST_FULL_LEVEL = 0.995, 0.97
"""Up to what output a head counts as dark, from what on as full, and from which levels that is told."""
_BESIDE_M = 0.05
"""A setback that rounds to nothing has no side."""
_MOST_SHARE = 10.0
"""Of a head that hardly shines on the mark no share of its light there is told."""
_SIDES = (("the left", "the right"), ("the camera", "the background"), ("the floor", "the ceiling"))
"""Along x, y and z of the rig, negative and positive."""
_MATTERS = 0.4
_LEAST_WINDOW_LUX = 1.0


def fit_lines(rig: Rig, calibration: Calibration, belief: Belief) -> list[str]:
    """Format a calibration of a belief."""
    entries = calibration.readings_in_order()
    lines = [f"{rig.rig.name}: {_told_counts(len(entries), belief.evidence)}", ""]
    heads = [_head(belief, i, calibration.heads[name]) for i, name in enumerate(belief.model.names)]
    lines += numbers.table([_headings(rig), *heads])
    lines += ["", *_room(rig, calibration, belief)]
    lines += ["", *numbers.table(_readings(entries), right=(0, 5, 6))] if entries else []
    lines += ["", *_beside_readings(belief)] if belief.evidence.tapes or belief.evidence.events else []
    lines += ["", *suspects(entries)] if any(entry.why for entry in entries) else []
    lines += ["", *_next(rig, calibration.next)]
    return [*lines, "", EXPANDED_NOTE]


def _told_counts(readings: int, evidence: Evidence) -> str:
    counted = [
        (readings, "reading"),
        (len(evidence.tapes), "tape measure"),
        (len(evidence.events), "event"),
    ]
    return ", ".join(f"{n} {noun}{'' if n == 1 else 's'}" for n, noun in counted if n or noun == "reading")


def _headings(rig: Rig) -> list[str]:
    mark = next(iter(rig.marks))
    room = f"room light at full (of direct light at {mark})"
    return ["head", "on the axis at full", "seems to be", room, "dimming", "its light at the marks"]


def _head(belief: Belief, i: int, head: CalibratedHead) -> list[str]:
    return [
        belief.model.names[i],
        _intensity(belief, i, head),
        _source(head),
        _room_light(belief, i, head),
        _dimming(belief, i, head),
        interval_text(head.sigma_stops),
    ]


def _intensity(belief: Belief, i: int, head: CalibratedHead) -> str:
    if head.intensity_cd is None:
        return numbers.NOTHING
    if head.room is None:
        return f"{float(f'{head.intensity_cd:.3g}'):g} cd"
    return f"{uncertainty.significant(head.intensity_cd, expanded(intensity_sd_stops(belief, i)))} cd"


def _source(head: CalibratedHead) -> str:
    parts = []
    if head.diameter_m is not None:
        parts.append(f"{head.diameter_m:.1f} m across")
    if head.setback_m is not None:
        parts.append(f"{abs(head.setback_m):.1f} m {'in front' if head.setback_m < -_BESIDE_M else 'back'}")
    return ", ".join(parts)


def _room_light(belief: Belief, i: int, head: CalibratedHead) -> str:
    """Format the mean of what the room sends back of a head; its share where there is direct light."""
    if head.room is None:
        return numbers.NOTHING
    within, direct = expanded(room_sd_stops(belief, i)), direct_lux(belief, i)
    text = f"{uncertainty.significant(head.room.mean, within)} lx"
    if head.room.mean < _MOST_SHARE * direct:
        text += f" ({uncertainty.significant(100 * head.room.mean / direct, within)} %)"
    return f"{text}, {around(within)}"


def _dimming(belief: Belief, i: int, head: CalibratedHead) -> str:
    if head.curve is None:
        return "none"
    if not head.readings:
        return "not read: as the file says"
    if belief.model.prior.dimmers.certain[i]:
        return "as the file says"
    sds = output_sd_stops(belief, i, COMPARED_LEVELS)
    parts = [curve_words(head.curve, [expanded(sd) for sd in sds.tolist()], _levels_read(belief, i))]
    if head.floor:
        parts.append(f"floor {numbers.percent(head.floor)}")
    return ", ".join(parts)


def _levels_read(belief: Belief, i: int) -> list[float]:
    """Return the levels above 0 at which a head was read, alone or with others."""
    name = belief.model.names[i]
    lit = [dict(zip(one.heads, one.levels, strict=True)) for one in belief.readings if name in one.heads]
    return [levels[name] for levels in lit if levels[name] > 0]


def curve_words(learned: CalibratedCurve, within_stops: Sequence[float], read: Sequence[float]) -> str:
    """Name a learned curve by the nearest standard one, from the lowest level on that was `read`.

    It is known to `within_stops` (m,) at `COMPARED_LEVELS` (m,). How far it may be from the standard curve is
    by how much it differs and how well it is known, together.

    >>> square = CalibratedCurve(levels=(0.0, 0.25, 0.5, 0.75, 1.0), outputs=(0.0, 0.0625, 0.25, 0.5625, 1.0))
    >>> known = [0.1] * len(COMPARED_LEVELS)
    >>> curve_words(square, known, [0.25, 1.0]), curve_words(square, known, [1.0])
    ('like square, within 0.2 stop from 25 % on', 'read at full alone: as the file says')
    >>> steep = CalibratedCurve(levels=(0.0, 0.5, 0.9, 1.0), outputs=(0.0, 0.01, 0.1, 1.0))
    >>> curve_words(steep, known, [0.5, 1.0])
    'a shape of its own, up to 2.6 stops from log'
    """
    lowest = max(min(read, default=1.0), float(COMPARED_LEVELS[0]))
    counted = min(lowest, _MOST_LOWEST) - _SLACK <= COMPARED_LEVELS
    if lowest > _MOST_LOWEST:
        return "read at full alone: as the file says"
    own = curve((learned.levels, learned.outputs))
    levels, known = COMPARED_LEVELS[counted], np.array(within_stops)[counted]
    stops = np.log2(np.maximum(own.output_from_level(levels), _LEAST_OUTPUT))
    off = {name: np.abs(stops - np.log2(curve(name).output_from_level(levels))) for name in STANDARD}
    name = min(off, key=lambda one: float(off[one].max()))
    if (off[name] > np.maximum(known, _ALIKE_STOPS)).any():
        most = float(off[name].max())
        own_shape = f"a shape of its own, up to {most:.1f} {stop_noun(most)} from {name}"
        return ", ".join([own_shape, *_ends(own, read)])
    within = math.ceil(10 * float((off[name] + known).max()) - _SLACK) / 10
    alike = f"like {name}, within {within:.1f} {stop_noun(within)} from {percent(lowest)} on"
    return ", ".join([alike, *_ends(own, read)])


def _ends(own: DimmingCurve, read: Sequence[float]) -> Iterator[str]:
    """Yield up to what level a curve is dark and from which one on full, where readings say so."""
    dark = max((level for level in _FINE_LEVELS if own.output_from_level(level) < _DARK_OUTPUT), default=0.0)
    if dark >= max(_LEAST_DARK_LEVEL, min(read)):
        yield f"dark to {percent(dark)}"
    full = next(level for level in _FINE_LEVELS if own.output_from_level(level) > _FULL_OUTPUT)
    if full <= _MOST_FULL_LEVEL and any(full <= level < 1 for level in read):
        yield f"full from {percent(full)}"


def _room(rig: Rig, calibration: Calibration, belief: Belief) -> Iterator[str]:
    ambient = calibration.ambient
    if ambient is not None:
        yield from _ambient(rig, ambient, belief)
    for mark, sigmas in calibration.marks.items():
        ratio = interval_text(sigmas.ratio_sigma_stops)
        exposure = interval_text(sigmas.exposure_sigma_stops)
        yield f"held at {mark}: ratio {ratio}, exposure {exposure}"
    position_sd_m = calibration.hand_sd_m
    if position_sd_m is not None:
        within_cm = max(1.0, 200 * position_sd_m)
        yield f"the meter seems to have been within {within_cm:.0f} cm of where it was said to be"


def _ambient(rig: Rig, ambient: CalibratedAmbient, belief: Belief) -> Iterator[str]:
    """Format the light with all heads out: toward three sides, by direction, and a believed window."""
    sure = ambient_uncertainty(belief)
    within = expanded(sure.mean_stops)
    toward = (ambient.toward_key, ambient.toward_fill, ambient.toward_camera)
    key, fill, camera = (
        numbers.NOTHING if lux is None else f"{uncertainty.significant(lux, within)} lx" for lux in toward
    )
    yield f"with all heads out: {key} toward key, {fill} toward fill, {camera} toward camera"
    if ambient.mean is None or ambient.vector is None:
        return
    mean, (lean, lean_sd) = f"{uncertainty.significant(ambient.mean, within)} lx", sure.lean
    if lean > expanded(lean_sd):
        yield f"that is {mean} on average over all directions, most from {direction_words(ambient.vector)}"
    else:
        yield f"that is {mean} on average over all directions, as far as is known from all alike"
    if ambient.window is not None and ambient.window_m is not None:
        bright = math.hypot(*ambient.window)
        if bright - expanded(sure.window_lux) > _LEAST_WINDOW_LUX:
            lux = uncertainty.significant(bright, math.log2(1 + expanded(sure.window_lux) / bright))
            away = uncertainty.significant(ambient.window_m, expanded(sure.window_away) / math.log(2))
            where = f"about {away} m away toward {direction_words(ambient.window)}"
            yield f"a window {where}, {lux} lx at {next(iter(rig.marks))}"


def direction_words(vector: Sequence[float]) -> str:
    """Name a direction as the camera sees it, by the parts of it that matter.

    >>> direction_words((-3.0, 0.2, 0.1)), direction_words((2.0, -2.1, 0.0)), direction_words((0.1, 0.1, 4.0))
    ('the left', 'the camera and the right', 'the ceiling')
    """
    longest = max(map(abs, vector), default=0.0)
    ways = zip(vector, _SIDES, strict=True)
    named = [(abs(part), names[part > 0]) for part, names in ways if abs(part) > _MATTERS * longest]
    return " and ".join(name for _, name in sorted(named, reverse=True)) or "all sides"


def _beside_readings(belief: Belief) -> list[str]:
    """Format tape measures and events with what is made of them."""
    rows = [["told", "of", "", "found", "when"]]
    for tape, off_m in zip(belief.evidence.tapes, tapes_off_m(belief), strict=True):
        measured = f"{tape.distance_m:.2f} m from {numbers.metres(tape.at)}"
        rows.append(["tape", tape.head, measured, tape_words(off_m), tape.time or ""])
    for event, (change, sd) in zip(belief.evidence.events, steps_believed(belief), strict=True):
        if event.kind == "moved":
            made = f"{change:+.1f} ±{max(expanded(sd), 0.1):.1f} m away from {next(iter(belief.rig.marks))}"
        else:
            made = uncertainty.stops(change, expanded(sd))
        rows.append([event.kind, event.head, event.note or "", made, event.time or ""])
    return numbers.table(rows)


def tape_words(off_m: float) -> str:
    """Format by how much a tape measure is over what is believed.

    >>> tape_words(0.031), tape_words(-0.012), tape_words(0.002)
    ('3 cm more than believed', '1 cm less than believed', 'as believed')
    """
    off_cm = round(100 * off_m)
    if off_cm == 0:
        return "as believed"
    return f"{abs(off_cm)} cm {'more' if off_cm > 0 else 'less'} than believed"


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
    if asked is None or asked.at is None:
        return
    head = asked.head or ""
    if asked.unit == "m" and asked.expected_m is not None:
        yield f"{measuring_words(rig, asked.at, head)} About {asked.expected_m:.2f} m are expected."
    if asked.expected_lux is None:
        return
    lit = f"{head} alone at {numbers.percent(asked.level)}" if head else "all heads out"
    if asked.good:
        yield "The light is known well enough to shoot; the reading that would help most:"
    elif asked.enough:
        yield "One more reading would help little; the best would be:"
    else:
        yield "The reading that would help most now:"
    light = uncertainty.lux(asked.expected_lux, expanded(asked.sigma_stops or 0.0))
    yield f"{lit}, about {light} ({interval_text(asked.sigma_stops)}). {place_words(rig, asked.at)}"
    yield receptor_words(asked.receptor, asked.facing, head)
    before = interval_text(asked.ratio_sigma_stops), interval_text(asked.exposure_sigma_stops)
    after = interval_text(asked.ratio_sigma_after_stops), interval_text(asked.exposure_sigma_after_stops)
    yield f"The ratio would go from {before[0]} to {after[0]}, the exposure from {before[1]} to {after[1]}."
    yield from known_words(asked)
