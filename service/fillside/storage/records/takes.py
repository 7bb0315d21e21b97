"""Takes: each freeze with its light at the beginning and the end, for lighting the same scene again."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from fillside.rig.calibration import CalibratedAmbient, CalibratedHead, Calibration
from fillside.rig.tables.model import Point, Rig
from fillside.storage.store import Store
from fillside.storage.writer import PersistentJob

State = Mapping[str, Any]

STATE_KEYS = ("subject", "target", "achieved", "face", "camera", "trims", "calibrated_at")
DURATION_KEY = "lasted_s"
"""Stored with the light at the end."""
HEAD_KEYS = ("name", "role", "output", "level", "wire", "lux")
HEAD_FIGURES = {"intensity_cd", "setback_m", "diameter_m", "room"}
AMBIENT_FIGURES = {"toward_key", "toward_fill", "toward_camera", "mean", "vector", "window", "window_m"}
_PLACE_DECIMALS = 4
"""Decimals of a place in metres: a tracker's have many that say nothing."""

_BEGIN = (
    "INSERT INTO take (began, first, belief, geometry, camera) SELECT ?1, ?2, ?4, ?5, ?6 "
    "WHERE NOT EXISTS (SELECT 1 FROM take WHERE began = ?3 AND first = ?2)"
)
_END = (
    "UPDATE take SET ended = ?1, last = ?2 "
    "WHERE ended IS NULL AND id <= (SELECT max(id) FROM take WHERE began = ?3)"
)
"""Both may be done twice: a failing disk may have kept what it said it had not, and it is tried again."""


@dataclass(frozen=True)
class Take:
    """A freeze from `began` to `ended` (Unix time); `ended` and `last` are None while it runs.

    `lasted_s` is its duration by a monotonic clock [s]; None where a restart of the daemon interrupted it.
    Unix times do not give it, since the machine's clock may have been set in between.
    """

    id: int
    began: float
    ended: float | None
    lasted_s: float | None
    first: dict[str, Any]
    last: dict[str, Any] | None


@dataclass(frozen=True)
class TakeStudio:
    """The studio in which a take begins, each part as an object of JSON.

    `belief` has the figures of the calibration in use without its readings and curves, None where there is
    none; `geometry` has all places [m]; `camera` its settings.
    """

    belief: dict[str, Any] | None
    geometry: dict[str, Any]
    camera: dict[str, Any]

    @classmethod
    def of(cls, rig: Rig, calibration: Calibration | None, subject: Point) -> TakeStudio:
        """Return the studio of a rig with its subject at a place [m]."""
        heads = {
            head.name: {"position": _place(head.position), "aim": _place(rig.aim_of(head))}
            for head in rig.heads
        }
        geometry = {
            "heads": heads,
            "subject": _place(subject),
            "marks": {name: _place(mark) for name, mark in rig.marks.items()},
            "camera": _place(rig.camera.position),
        }
        camera = rig.camera.model_dump(mode="json", exclude={"position"}, exclude_none=True)
        return cls(None if calibration is None else _believed(rig, calibration), geometry, camera)


def _place(place: Point) -> list[float]:
    return [round(float(metres), _PLACE_DECIMALS) for metres in place]


def _believed(rig: Rig, calibration: Calibration) -> dict[str, Any]:
    heads = {head.name: calibration.heads.get(head.name) for head in rig.heads}
    found = {name: _figures(own, HEAD_FIGURES) for name, own in heads.items() if own is not None}
    ambient = calibration.ambient
    return {"heads": found, **({} if ambient is None else {"ambient": _figures(ambient, AMBIENT_FIGURES)})}


def _figures(part: CalibratedHead | CalibratedAmbient, names: set[str]) -> dict[str, Any]:
    dumped = part.model_dump(mode="json", include=names)
    return {name: value for name, value in dumped.items() if name in names and value is not None}


class TakeRecorder:
    """Stores takes as the mode changes; one interrupted by a restart of the daemon continues as one.

    `clock` gives elapsed time in seconds.
    """

    def __init__(self, store: Store, clock: Callable[[], float] = time.monotonic) -> None:
        self._store, self._clock, self._changes = store, clock, 0
        self._began_at: float | None = None
        rolling = store.rows("take", "WHERE ended IS NULL ORDER BY id DESC", most=1)
        self._rolls, self._began = bool(rolling), rolling[0][1] if rolling else None

    def record(self, state: State, studio: Callable[[], TakeStudio] | None = None) -> None:
        """Store the beginning or end of a take that this state shows."""
        if (change := self.change_job(state, studio)) is not None:
            self._store.keep(change)

    def change_job(
        self, state: State, studio: Callable[[], TakeStudio] | None = None
    ) -> PersistentJob | None:
        """Return the job that stores the start or end of a take by this state, or None.

        A take that begins is stored with its `studio`, where that is given.
        """
        frozen = state["mode"] == "freeze"
        if frozen == self._rolls:
            return None
        light = light_of(state) if frozen else {**light_of(state), DURATION_KEY: self._elapsed_s()}
        parts = _studio_texts(studio()) if frozen and studio is not None else (None, None, None)
        now, text = self._store.unix_clock(), _text(light)
        began = now if frozen else self._began
        self._rolls, self._began, self._began_at = frozen, began, self._clock() if frozen else None
        self._changes += 1
        sql, row = (_BEGIN, (now, text, began, *parts)) if frozen else (_END, (now, text, began))
        return PersistentJob(lambda connection: connection.execute(sql, row), key=f"take {self._changes}")

    def _elapsed_s(self) -> float | None:
        """Return the duration of the running take; None if it began before this run."""
        return None if self._began_at is None else round(self._clock() - self._began_at, 3)


def _text(value: Any) -> str:
    return json.dumps(value, allow_nan=False, separators=(",", ":"))


def _studio_texts(studio: TakeStudio) -> tuple[str | None, str, str]:
    belief = None if studio.belief is None else _text(studio.belief)
    return belief, _text(studio.geometry), _text(studio.camera)


def light_of(state: State) -> dict[str, Any]:
    """Return the light in a state: target, achieved balance, and each head's part."""
    heads = [{key: head[key] for key in HEAD_KEYS} for head in state["heads"]]
    return {**{key: state[key] for key in STATE_KEYS}, "heads": heads}


def latest_takes(store: Store, most: int = 100, before: int | None = None) -> list[Take]:
    """Return the newest takes first, at most `most`, all with an id below `before`."""
    limit = before if before is not None else 2**62
    found = store.rows("take", "WHERE id < ? ORDER BY id DESC", (limit,), most)
    return [_take(*row[:5]) for row in found]


def _take(number: int, began: float, ended: float | None, first: dict[str, Any], last: Any) -> Take:
    lasted_s = None if last is None else last.pop(DURATION_KEY, None)
    if not isinstance(lasted_s, int | float) or not (math.isfinite(lasted_s) and lasted_s >= 0):
        lasted_s = None
    return Take(number, began, ended, lasted_s, first, last)
