"""Takes: each freeze with its light at the beginning and the end, for lighting the same scene again."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from fillside.storage.store import Store
from fillside.storage.writer import PersistentJob

State = Mapping[str, Any]

STATE_KEYS = ("subject", "target", "achieved", "face", "camera", "trims", "calibrated_at")
DURATION_KEY = "lasted_s"
"""Stored with the light at the end."""
HEAD_KEYS = ("name", "role", "output", "level", "wire", "lux")


_BEGIN = (
    "INSERT INTO take (began, first) SELECT ?1, ?2 "
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


class TakeRecorder:
    """Stores takes as the mode changes; one interrupted by a restart of the daemon continues as one.

    `clock` gives elapsed time in seconds.
    """

    def __init__(self, store: Store, clock: Callable[[], float] = time.monotonic) -> None:
        self._store, self._clock, self._changes = store, clock, 0
        self._began_at: float | None = None
        rolling = store.rows("take", "WHERE ended IS NULL ORDER BY id DESC", most=1)
        self._rolls, self._began = bool(rolling), rolling[0][1] if rolling else None

    def record(self, state: State) -> None:
        """Store the beginning or end of a take that this state shows."""
        if (change := self.change_job(state)) is not None:
            self._store.keep(change)

    def change_job(self, state: State) -> PersistentJob | None:
        """Return the job that stores the start or end of a take by this state, or None."""
        frozen = state["mode"] == "freeze"
        if frozen == self._rolls:
            return None
        light = light_of(state) if frozen else {**light_of(state), DURATION_KEY: self._elapsed_s()}
        now, text = self._store.unix_clock(), json.dumps(light, allow_nan=False, separators=(",", ":"))
        began = now if frozen else self._began
        self._rolls, self._began, self._began_at = frozen, began, self._clock() if frozen else None
        self._changes += 1
        sql, row = _BEGIN if frozen else _END, (now, text, began)
        return PersistentJob(lambda connection: connection.execute(sql, row), key=f"take {self._changes}")

    def _elapsed_s(self) -> float | None:
        """Return the duration of the running take; None if it began before this run."""
        return None if self._began_at is None else round(self._clock() - self._began_at, 3)


def light_of(state: State) -> dict[str, Any]:
    """Return the light in a state: target, achieved balance, and each head's part."""
    heads = [{key: head[key] for key in HEAD_KEYS} for head in state["heads"]]
    return {**{key: state[key] for key in STATE_KEYS}, "heads": heads}


def latest_takes(store: Store, most: int = 100, before: int | None = None) -> list[Take]:
    """Return the newest takes first, at most `most`, all with an id below `before`."""
    limit = before if before is not None else 2**62
    return [_take(*row) for row in store.rows("take", "WHERE id < ? ORDER BY id DESC", (limit,), most)]


def _take(number: int, began: float, ended: float | None, first: dict[str, Any], last: Any) -> Take:
    lasted_s = None if last is None else last.pop(DURATION_KEY, None)
    if not isinstance(lasted_s, int | float) or not (math.isfinite(lasted_s) and lasted_s >= 0):
        lasted_s = None
    return Take(number, began, ended, lasted_s, first, last)
