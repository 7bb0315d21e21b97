"""The studio and the evidence that a calibration carries: a belief at the figures that it states.

Nothing is fitted anew. The figures are turned back into unknowns, and the readings in the calibration give
their uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from fillside.belief.belief import Belief, known
from fillside.belief.evidence import CAMERA, OWN_HEAD, Evidence, HeadEvent, Piece, Reading, TapeMeasure
from fillside.belief.forward.dimmer import knots_of
from fillside.belief.forward.model import Model, model_of
from fillside.belief.forward.paths import unit
from fillside.belief.forward.priors import (
    AMBIENT,
    AMBIENT_DIRECTION_SD,
    AMBIENT_X,
    DIRECTION_SD,
    FIGURES,
    INTENSITY,
    INTENSITY_SD_STOPS,
    LIT_SHARE,
    ROOM,
    ROOM_X,
    SETBACK,
    SHARED,
    WINDOW_AWAY,
    WINDOW_AWAY_M,
    WINDOW_AWAY_SD,
    WINDOW_GROWTH,
    WINDOW_LUX,
    WINDOW_X,
)
from fillside.belief.observations import HAND_SD_M, ambient_sides
from fillside.photometry.dimming import curve
from fillside.photometry.room_light import RoomLight, smoothest_room_light
from fillside.rig.calibration import CalibratedAmbient, CalibratedHead, Calibration, HeadNote, WeighedReading
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]

_LEAST_LUX, _MOST_LEAN = 1e-3, 0.995
_LEAST_ROOM = 1e-12
"""Room light per candela of a head whose room is said to send nothing back [lux/cd]."""
_MOST_HAND_M = 0.5
_FARTHEST_SD = 6.0
"""Figures stated by hand may be farther from what lamps are like; no farther than this is believed."""


def known_belief(rig: Rig, calibration: Calibration | None, now_s: float | None = None) -> Belief:
    """The belief about the studio of a calibration, or of the rig file alone; what is not of the rig is
    passed over.

    `now_s` is as in `believe`.
    """
    if calibration is None:
        return known(Evidence(), rig, np.zeros(model_of(rig).size), HAND_SD_M, ())
    taken = list(_readings(rig, calibration))
    told = [piece for note in calibration.told if (piece := piece_from_note(note)) is not None]
    names = {head.name for head in rig.heads}
    evidence = Evidence(
        tuple(reading for reading, _ in taken),
        tuple(one for one in told if isinstance(one, TapeMeasure) and one.head in names),
        tuple(one for one in told if isinstance(one, HeadEvent) and one.head in names),
    )
    told_of = {name for reading, wrong in taken if not wrong for name in reading.heads}
    if not taken:
        told_of = {name for name, head in calibration.heads.items() if head.sigma_stops is not None}
    model = model_of(rig)
    z = np.append(_unknowns(model, calibration, told_of), np.zeros(len(evidence.events)))
    stated = calibration.hand_sd_m
    hand_m = HAND_SD_M if stated is None else min(max(float(stated), 0.0), _MOST_HAND_M)
    found = known(evidence, rig, z, hand_m, [wrong for _, wrong in taken], now_s)
    if taken:
        return found
    stated_stops = {name: head.sigma_stops for name, head in calibration.heads.items()}
    sure = ((i, stated_stops.get(name)) for i, name in enumerate(model.names))
    return replace(found, stated_stops={i: stops for i, stops in sure if stops is not None})


def _readings(rig: Rig, calibration: Calibration) -> Iterator[tuple[Reading, bool]]:
    """The readings behind a calibration that the rig could still have, each with true if it was left out."""
    names = {head.name for head in rig.heads}
    for entry in calibration.readings_in_order():
        try:
            reading = reading_from_entry(entry)
        except ValidationError:
            continue
        if set(reading.heads) <= names and reading.facing in (names | {CAMERA, OWN_HEAD}):
            yield reading, entry.left_out


def _unknowns(model: Model, calibration: Calibration, told_of: set[str]) -> FloatArray:
    """The unknowns (size,) that the figures of some heads stand for, and the ambient light.

    `told_of` are the heads that were read or, where none was, those whose light is stated to be so sure.
    """
    z = np.zeros(model.size)
    own, lights = model.per_head(z), scene(model.rig, calibration).sources
    for i, name in enumerate(model.names):
        head = calibration.heads.get(name)
        if head is not None and name in told_of:
            own[i] = _of_head(model, i, head)
            if head.room is None:
                per_cd = float(lights.room_mean_lux[i]) / float(lights.intensity_cd[i])
                mean, sd = (float(part[i]) for part in model.prior.log_room)
                own[i, ROOM] = (math.log(max(per_cd, _LEAST_ROOM)) - mean) / sd
    first = model.index_of_shared(0)
    if calibration.ambient is not None:
        z[first : first + SHARED] = _of_ambient(model, calibration.ambient)
    figures = own[:, :FIGURES]
    figures[:] = np.clip(figures, -_FARTHEST_SD, _FARTHEST_SD)
    z[first:] = np.clip(z[first:], -_FARTHEST_SD, _FARTHEST_SD)
    return z


def _of_head(model: Model, i: int, head: CalibratedHead) -> FloatArray:
    """The unknowns of one head; figures that the calibration leaves out are those of the rig file."""
    prior, found = model.prior, model.per_head(np.zeros(model.size))[i].copy()
    if head.intensity_cd is not None:
        found[INTENSITY] = (math.log2(head.intensity_cd) - prior.log2_cd[i]) / INTENSITY_SD_STOPS
    label_m, whole_m = (float(own[i]) for own in (prior.sources.setback_m, prior.sources.diameter_m))
    found[SETBACK] = prior.unknown_of_setback(i, label_m if head.setback_m is None else head.setback_m)
    if whole_m > 0:
        lit_m = whole_m if head.diameter_m is None else head.diameter_m
        found[LIT_SHARE] = prior.unknown_of_share(i, lit_m / whole_m)
    if head.room is not None and head.room.mean > 0 and head.intensity_cd is not None:
        mean, sd = (float(part[i]) for part in prior.log_room)
        found[ROOM] = (math.log(head.room.mean / head.intensity_cd) - mean) / sd
        found[ROOM_X : ROOM_X + 3] = _lean_unknowns(head.room.mean, head.room.vector) / DIRECTION_SD
    if head.curve is not None and not prior.dimmers.certain[i]:
        shape = curve((tuple(head.curve.levels), tuple(head.curve.outputs)))
        found[FIGURES:] = knots_of(prior.dimmers, i, shape)
    return np.asarray(found)


def _lean_unknowns(mean: float, vector: tuple[float, float, float]) -> FloatArray:
    """Numbers w (3,) whose w / sqrt(1 + w^2) is a vector over twice its mean."""
    lean = np.array(vector, dtype=np.float64) / (2 * mean)
    lean *= min(1.0, _MOST_LEAN / max(float(np.linalg.norm(lean)), 1e-12))
    return np.asarray(lean / math.sqrt(1 - float(lean @ lean)))


def _of_ambient(model: Model, ambient: CalibratedAmbient) -> FloatArray:
    """The unknowns of the ambient light (SHARED,), from its directions or else its three numbers."""
    found = np.zeros(SHARED)
    light = _stated_light(model, ambient)
    lux, sd = model.prior.ambient_lux
    found[AMBIENT] = math.log(max(light.mean_lux, _LEAST_LUX) / lux) / sd
    if light.mean_lux > _LEAST_LUX:
        lean = _lean_unknowns(light.mean_lux, light.vector_lux)
        found[AMBIENT_X : AMBIENT_X + 3] = lean / AMBIENT_DIRECTION_SD
    if ambient.window is not None:
        at_mark = np.array(ambient.window, dtype=np.float64)
        found[WINDOW_X : WINDOW_X + 3] = np.arcsinh(at_mark / WINDOW_LUX) / WINDOW_GROWTH
        away = max(float(ambient.window_m or WINDOW_AWAY_M), 0.1)
        found[WINDOW_AWAY] = math.log(away / WINDOW_AWAY_M) / WINDOW_AWAY_SD
    return found


def _stated_light(model: Model, ambient: CalibratedAmbient) -> RoomLight:
    if ambient.mean is not None:
        x, y, z = ambient.vector or (0.0, 0.0, 0.0)
        return RoomLight(float(ambient.mean), (float(x), float(y), float(z)))
    toward = (ambient.toward_key, ambient.toward_fill, ambient.toward_camera)
    sides = [
        (lux, unit(model.target(side.ambient or CAMERA) - np.array(side.place)), side.dome)
        for lux, side in zip(toward, ambient_sides(model.rig), strict=True)
        if lux is not None
    ]
    if not sides:
        return RoomLight(0.0)
    lux, axes, domes = zip(*sides, strict=True)
    return smoothest_room_light(lux, np.array(axes), np.array(domes))


def reading_from_entry(entry: WeighedReading) -> Reading:
    """The reading of an entry in a calibration; pydantic's ValidationError for an entry that is none."""
    own = {key: value for key, value in entry.model_dump().items() if key in Reading.model_fields}
    return Reading.model_validate(own)


def piece_from_note(note: HeadNote) -> TapeMeasure | HeadEvent | None:
    """The tape measure or event in a calibration's note; None for any other."""
    fields = note.model_dump(exclude_none=True)
    kind = fields.pop("kind", None)
    try:
        if kind == "tape":
            return TapeMeasure.model_validate(fields)
        return HeadEvent.model_validate({**fields, "kind": kind})
    except ValidationError:
        return None


def notes_of(evidence: Evidence) -> tuple[HeadNote, ...]:
    """Tape measures and events as a calibration has them."""
    tapes = [
        HeadNote.model_validate({"kind": "tape", **t.model_dump(exclude_none=True)}) for t in evidence.tapes
    ]
    events = [HeadNote.model_validate(e.model_dump(exclude_none=True)) for e in evidence.events]
    return (*tapes, *events)


def evidence_of(calibration: Calibration) -> Evidence:
    """The evidence that a calibration carries, without what is not understood."""
    pieces: list[Piece | None] = [piece_from_note(note) for note in calibration.told]
    for entry in calibration.readings_in_order():
        try:
            pieces.append(reading_from_entry(entry))
        except ValidationError:
            continue
    return Evidence.of([piece for piece in pieces if piece is not None])
