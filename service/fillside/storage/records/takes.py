"""Takes: every freeze is one, kept with the light it began and ended with, so as to light the same again."""

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
"""Kept with the light at the end."""
HEAD_KEYS = ("name", "role", "output", "level", "wire", "lux")


@dataclass(frozen=True)
class Take:
    """A freeze from `began` to `ended` (Unix time); `ended` and `last` are None in its course.

    `lasted_s` is how long it went on by a clock that nobody sets, in seconds; None where that is not known,
    because the daemon was started anew meanwhile. Unix times tell it not: the machine's clock may have been
    set in between.
    """

    id: int
    began: float
    ended: float | None
    lasted_s: float | None
    first: dict[str, Any]
    last: dict[str, Any] | None


class TakeRecorder:
    """Writes takes down as the mode changes; one that a stop of the daemon cut in two goes on as one.

    `clock` gives elapsed time in seconds.
    """

    def __init__(self, store: Store, clock: Callable[[], float] = time.monotonic) -> None:
        self._store, self._clock, self._changes = store, clock, 0
        self._began_at: float | None = None
        self._rolls = bool(store.rows("take", "WHERE ended IS NULL", most=1))

    def record(self, state: State) -> None:
        """Write down that a take began or ended, if by this state one has."""
        if (change := self.change_job(state)) is not None:
            self._store.keep(change)

    def change_job(self, state: State) -> PersistentJob | None:
        """What is to be kept of a take that, by this state, began or ended; None when neither."""
        frozen = state["mode"] == "freeze"
        if frozen == self._rolls:
            return None
        light = light_of(state) if frozen else {**light_of(state), DURATION_KEY: self._elapsed_s()}
        row = (time.time(), json.dumps(light, allow_nan=False, separators=(",", ":")))
        self._rolls, self._began_at = frozen, self._clock() if frozen else None
        begin = "INSERT INTO take (began, first) VALUES (?, ?)"
        end = "UPDATE take SET ended = ?, last = ? WHERE ended IS NULL"
        self._changes += 1
        return PersistentJob(
            lambda connection: connection.execute(begin if frozen else end, row), key=f"take {self._changes}"
        )

    def _elapsed_s(self) -> float | None:
        """How long the take has gone on; None where it began before this run."""
        return None if self._began_at is None else round(self._clock() - self._began_at, 3)


def light_of(state: State) -> dict[str, Any]:
    """What of a state is the light: wish, what is reached, and each head's part."""
    heads = [{key: head[key] for key in HEAD_KEYS} for head in state["heads"]]
    return {**{key: state[key] for key in STATE_KEYS}, "heads": heads}


def latest_takes(store: Store, most: int = 100, before: int | None = None) -> list[Take]:
    """The newest takes first, at most `most`, all with an id below `before`."""
    limit = before if before is not None else 2**62
    return [_take(*row) for row in store.rows("take", "WHERE id < ? ORDER BY id DESC", (limit,), most)]


def _take(number: int, began: float, ended: float | None, first: dict[str, Any], last: Any) -> Take:
    lasted_s = None if last is None else last.pop(DURATION_KEY, None)
    if not isinstance(lasted_s, int | float) or not (math.isfinite(lasted_s) and lasted_s >= 0):
        lasted_s = None
    return Take(number, began, ended, lasted_s, first, last)
