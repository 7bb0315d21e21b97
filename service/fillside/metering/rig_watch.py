"""Heads that the rig file has elsewhere, or otherwise, since they were metered.

What was metered before is then of another studio. An event that says so is stored by itself, with where the
stand was or what was stated of the lamp, so that the next weighing takes earlier readings for what they were.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Collection, Iterator, Mapping
from concurrent.futures import Future
from typing import Any

from fillside.belief.evidence import HeadEvent
from fillside.rig.tables.model import Rig
from fillside.storage.records import metering as kept
from fillside.storage.store import Store

log = logging.getLogger(__name__)

Seen = Mapping[str, Mapping[str, Any]]
"""What a rig file says of its heads, by their names."""
_WHO = "the rig file"
_LEAST_M, _LEAST_STOPS = 0.01, 0.01
"""Less than this is no change: stands are put up less exactly, and labels printed so."""


class RigWatch:
    """Looks at every rig that is held; all methods are called on the event loop's thread."""

    def __init__(self, store: Store) -> None:
        self._store, self._seen = store, kept.load_heads(store)
        self._written: list[tuple[HeadEvent, Future[int | None]]] = []

    def look(self, rig: Rig) -> None:
        """Store an event for every head that is metered and has changed since the last look."""
        now = _seen(rig)
        if now == self._seen:
            return
        before, self._seen = self._seen or {}, now
        at = self._store.unix_clock()
        events = list(_events(before, now))
        for event, future in zip(events, kept.save_heads(self._store, now, _WHO, events, at), strict=True):
            self._written.append((event, future))
            future.add_done_callback(lambda done, one=event: _log(one, done))  # type: ignore[misc]

    def notes(self, weighed: Collection[int]) -> tuple[str, ...]:
        """A line for people on each event that the calibration in use has not weighed yet."""
        found = ((event, _number(future)) for event, future in self._written)
        return tuple(_words(event, number) for event, number in found if number and number not in weighed)


def _seen(rig: Rig) -> dict[str, dict[str, Any]]:
    return {
        head.name: {
            "position": list(head.position),
            "intensity_cd": head.intensity_cd,
            "lamp": None if head.lamp is None else head.lamp.kind,
            "modifier": [head.modifier.kind, head.modifier.diameter],
        }
        for head in rig.heads
    }


def _events(before: Seen, now: Seen) -> Iterator[HeadEvent]:
    for name, new in now.items():
        old = before.get(name)
        if old is None:
            continue
        if math.dist(old["position"], new["position"]) > _LEAST_M:
            yield HeadEvent(head=name, kind="moved", was=tuple(old["position"]))
        stops = math.log2(new["intensity_cd"] / old["intensity_cd"])
        if abs(stops) > _LEAST_STOPS or old["lamp"] != new["lamp"] or old["modifier"] != new["modifier"]:
            yield HeadEvent(head=name, kind="changed", was_cd=old["intensity_cd"])


def _number(future: Future[int | None]) -> int | None:
    return future.result() if future.done() and future.exception() is None else None


def _log(event: HeadEvent, future: Future[int | None]) -> None:
    if (number := _number(future)) is not None:
        log.warning("%s", _words(event, number))


def _words(event: HeadEvent, number: int) -> str:
    change = "stands elsewhere" if event.kind == "moved" else "is another lamp or modifier"
    return (
        f"{event.head} {change} in the rig file than when it was metered: what was read before counts less "
        f"from the next reading on; if only the file was wrong, strike {number}"
    )
