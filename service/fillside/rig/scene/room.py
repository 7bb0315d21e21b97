"""The room's light as the rig file foretells it or readings tell: of each head, and with all heads out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fillside.photometry.room_light import (
    RoomLight,
    flux_lm,
    smoothest_room_light,
    sphere_mean_lux,
)
from fillside.photometry.source import LightSources, facing_lux, head_directions
from fillside.rig.calibration import CalibratedHead, Calibration
from fillside.rig.notation import RoomLightKnown
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]


def room_light_known(rig: Rig, calibration: Calibration | None) -> RoomLightKnown:
    """Return where the knowledge of the room's light, of the heads or with all of them out, comes from."""
    if calibration is not None:
        heads = [calibration.heads[head.name] for head in rig.heads if head.name in calibration.heads]
        if calibration.ambient is not None or any(
            own.room is not None or own.bounce is not None for own in heads
        ):
            return "from readings"
    stated = rig.room is not None or rig.ambient.given or any(head.bounce is not None for head in rig.heads)
    return "from the rig file" if stated else "not known"


def with_room_light(
    sources: LightSources,
    rig: Rig,
    metered: Sequence[RoomLight | None],
    read: Sequence[CalibratedHead],
    aims: FloatArray,
) -> LightSources:
    """Return the heads with the light that the room sends back of each.

    It is what was `metered` of it; else a share, its bounce, of the head's direct light at its aim point
    (n, 3) [m]; else that of the integrating sphere; else none.
    """
    mean, vector = np.zeros(len(sources)), np.zeros((len(sources), 3))
    if rig.room is not None:
        mean = sphere_mean_lux(flux_lm(sources), rig.room.surface_m2, rig.room.mean_reflectance)
    shares = _bounces(rig, read)
    told = np.flatnonzero(~np.isnan(shares))
    mean[told] = 0.0
    for aim in np.unique(aims[told[shares[told] > 0]], axis=0):
        there = told[(shares[told] > 0) & (aims[told] == aim).all(axis=1)]
        mean[there] = shares[there] * facing_lux(sources.take(there), aim)
    for i, own in enumerate(metered):
        if own is not None:
            mean[i], vector[i] = own.mean_lux, own.vector_lux
    if not mean.any():
        return sources
    return sources.with_room_light(mean, vector)


def _bounces(rig: Rig, read: Sequence[CalibratedHead]) -> FloatArray:
    """Return the bounce (n,) of each head as read, else as stated; NaN where there is neither."""
    pairs = zip(rig.heads, read, strict=True)
    found = [head.bounce if own.bounce is None else own.bounce for head, own in pairs]
    return np.array([np.nan if share is None else share for share in found], dtype=np.float64)


def smoothest_ambient(
    rig: Rig, sources: LightSources, lux: Sequence[float], counted: Sequence[bool]
) -> RoomLight:
    """Return the most even ambient light that gives `lux` (3,) toward the first key, the first fill and on
    the exposure receptor, at the first mark; numbers that are not `counted` say nothing.
    """
    directions = head_directions(sources, rig.first_mark)
    rules = [head.rule for head in rig.heads]
    toward = [directions[rules.index(rule)] if rule in rules else None for rule in ("key", "fill")]
    to_camera = np.asarray(rig.camera.position) - np.asarray(rig.first_mark)
    exposure = toward[0] if rig.meter.facing == "key" else None
    toward.append(to_camera / np.linalg.norm(to_camera) if exposure is None else exposure)
    domes = (False, False, rig.meter.receptor == "dome")
    rows = [
        (own, axis, dome)
        for own, axis, dome, is_told in zip(lux, toward, domes, counted, strict=True)
        if axis is not None and is_told
    ]
    if not rows:
        return RoomLight(0.0)
    shown, axes, dome = zip(*rows, strict=True)
    return smoothest_room_light(shown, np.array(axes), np.array(dome))
