"""From what a driver says of its health to what happened to wires and heads, as the hold takes it."""

from __future__ import annotations

from collections.abc import Iterator

from fillside.hold.machine.events import (
    DriverChanged,
    HeadAnswers,
    HeadBack,
    HeadDisobeys,
    HeadLate,
    HeadLost,
    HealthEvent,
)
from fillside_drivers.driver import HeadHealth, Health

_UNKNOWN = HeadHealth()


def news(driver: str, old: Health, new: Health) -> Iterator[HealthEvent]:
    """What happened between two of a driver's states, heads first: a wire that is back counts only with the
    heads that are."""
    for name, head in new.heads.items():
        yield from _of_head(name, old.heads.get(name, _UNKNOWN), head)
    for name in old.heads.keys() - new.heads.keys():
        if old.heads[name].state != "ok":
            yield HeadBack(name)
    if (old.state, old.note, old.notices) != (new.state, new.note, new.notices):
        yield DriverChanged(driver, new.state, new.note, new.notices)


def _of_head(name: str, old: HeadHealth, new: HeadHealth) -> Iterator[HealthEvent]:
    if (old.answers, old.confirmed) != (new.answers, new.confirmed):
        yield HeadAnswers(name, new.answers, new.confirmed)
    if new.returns != old.returns or (new.state in ("ok", "late") and old.state == "lost"):
        yield HeadBack(name, new.code)
        old = _UNKNOWN
    if new.state == "lost" and old.state != "lost":
        yield HeadLost(name)
    elif new.state == "late" and old.state != "late":
        yield HeadLate(name)
    elif new.state == "disobeying" and (old.state != "disobeying" or old.code != new.code):
        yield HeadDisobeys(name, new.code)
    elif new.state == "ok" and old.state != "ok":
        yield HeadBack(name)
