"""The health of wires and heads: their states, the times those began, and the words for what is wrong.

Theory. A head has its own state, as far as its lamp reports one, and shares the state of its driver; the
worse of the two counts:

    driver \\ own   ok     late   disobeying   lost
    ok             ok     late   disobeying   lost
    late           late   late   disobeying   lost
    lost           lost   lost   lost         lost

A lost head cannot be reached; every other head can. A head that disobeys is assumed to give the light it
reports, a late one that it was sent. That is the less sure the longer its report is overdue: it may still be
where it was before, the code that it reported last or was last sent in time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from fillside.balance.report import LimitReport
from fillside.balance.solver.rounding import Codes
from fillside.hold.events import (
    Answering,
    DriverChanged,
    DriverState,
    HeadAnswers,
    HeadBack,
    HeadDisobeys,
    HeadLate,
    HeadLost,
    HeadState,
    HealthEvent,
)
from fillside.rig.notation import percent
from fillside.rig.scene.scene import Scene

UNSURE_AFTER_S = 1.5
"""Time from late until nothing says that a head is where it was sent: a little less than a bulb that is late
has until it counts as lost. Until then it grows evenly: common practice, no source."""
UNSURE_STEP_S = 0.5
LEAST_UNSURE_STOPS = 0.1
"""Standard uncertainty of a head that does not answer, or does not obey, even where it was at the same
level before: why it does not is not known. A tenth is the last digit of most meters: common practice, no
source."""

Reported = dict[int, int]
_STATES: dict[type, HeadState] = {
    HeadLost: "lost",
    HeadLate: "late",
    HeadBack: "ok",
    HeadDisobeys: "disobeying",
}


@dataclass(frozen=True)
class DriverHealth:
    """A driver's state and the time it began; times are the caller's clock [s]."""

    state: DriverState
    since_s: float
    note: str = ""
    notices: tuple[str, ...] = ()


@dataclass(frozen=True)
class HeadCondition:
    """A head's state and the time it began; `code` is the code it reports while it disobeys. `answers` and
    `confirmed` are as in `HeadAnswers`. `before` is the code it had for sure before it was late; `time_s` is
    the hold's own time at which the state began, which no clock that is set moves."""

    state: HeadState
    since_s: float
    code: int | None = None
    answers: Answering | None = None
    confirmed: bool | None = None
    before: int | None = None
    time_s: float = 0.0


@dataclass(frozen=True)
class Overdue:
    """A head, by index, that may still be at the code `before` although it was sent, or reports, another.

    `share`, 0..1, is how little says that it is not; `least_stops` how unsure it is at least by then.
    """

    head: int
    before: int
    share: float
    least_stops: float


@dataclass(frozen=True)
class _LampState:
    """A head's own state, without that of its driver."""

    state: HeadState
    since_s: float
    code: int | None = None
    answers: Answering | None = None
    confirmed: bool | None = None
    before: int | None = None
    time_s: float = 0.0


class StudioHealth:
    """The states of all drivers and heads."""

    def __init__(self, scene: Scene, at_s: float) -> None:
        self._drivers_of = [head.drive.driver if head.drive else None for head in scene.rig.heads]
        self._own = {name: _LampState("ok", at_s) for name in scene.names}
        self._began: dict[str, tuple[float, Codes]] = {}
        self._heads: tuple[HeadCondition, ...] | None = None
        self.drivers: dict[str, DriverHealth] = dict.fromkeys(
            dict.fromkeys(n for n in self._drivers_of if n is not None), DriverHealth("ok", at_s)
        )

    def take_over(self, other: StudioHealth) -> None:
        """Copy the health of the drivers and heads that both rigs have."""
        self._heads = None
        self.drivers |= {name: health for name, health in other.drivers.items() if name in self.drivers}
        longest_ago = -UNSURE_AFTER_S
        self._own |= {
            name: replace(own, time_s=longest_ago) for name, own in other._own.items() if name in self._own
        }
        if list(self._own) == list(other._own):
            self._began = {driver: (longest_ago, codes) for driver, (_, codes) in other._began.items()}

    def take_in(self, event: HealthEvent, at_s: float, time_s: float, codes: Codes) -> None:
        """Apply an event; ignore one about a driver or head that the rig does not have.

        `time_s` is the hold's own time, `codes` are those sent by then.
        """
        self._heads = None
        if isinstance(event, DriverChanged):
            previous = self.drivers.get(event.driver)
            if previous is not None:
                if previous.state != event.state:
                    self._began[event.driver] = time_s, codes
                since_s = previous.since_s if previous.state == event.state else at_s
                self.drivers[event.driver] = DriverHealth(event.state, since_s, event.note, event.notices)
        elif event.head in self._own:
            sent = codes[list(self._own).index(event.head)]
            self._own[event.head] = _after(self._own[event.head], event, at_s, time_s, sent)

    @property
    def heads(self) -> tuple[HeadCondition, ...]:
        """All heads in the rig's order; a head without a wire has its own state alone."""
        if self._heads is None:
            self._heads = tuple(
                self._joined(i, own, driver)
                for i, (own, driver) in enumerate(zip(self._own.values(), self._drivers_of, strict=True))
            )
        return self._heads

    def _joined(self, head: int, own: _LampState, driver: str | None) -> HeadCondition:
        if driver is None:
            return _joined(own, None)
        joined = _joined(own, self.drivers[driver])
        if own.state != "ok" or joined.state != "late" or driver not in self._began:
            return joined
        time_s, codes = self._began[driver]
        return replace(joined, before=codes[head], time_s=max(time_s, own.time_s))

    @property
    def working(self) -> tuple[bool, ...]:
        """True for each head that can be reached."""
        return tuple(head.state != "lost" for head in self.heads)

    def known(self, codes: Codes) -> Codes:
        """The best-known codes; see `with_reported_codes`."""
        return with_reported_codes(codes, self.heads)

    def overdue(self, codes: Codes, time_s: float) -> tuple[Overdue, ...]:
        """Return the heads whose light is not sure at the codes sent; see the function of that name."""
        return overdue(self.heads, self.known(codes), time_s)


def overdue(heads: Sequence[HeadCondition], codes: Codes, time_s: float) -> tuple[Overdue, ...]:
    """Return the heads whose light is not sure at these codes, sent or reported, at the hold's time [s].

    A head that reports nothing has only its wire to be late, which matters once another code was sent.
    """
    found = []
    for i, head in enumerate(heads):
        if head.state not in ("late", "disobeying"):
            continue
        before = codes[i] if head.before is None else head.before
        least_stops = 0.0 if head.confirmed is None else LEAST_UNSURE_STOPS
        if before != codes[i] or least_stops > 0:
            share = min(max(time_s - head.time_s, 0.0) / UNSURE_AFTER_S, 1.0)
            found.append(Overdue(i, before, share, least_stops))
    return tuple(found)


@dataclass(frozen=True)
class HeadPolicy:
    """The treatment of heads that are not well: `led` (heads,) marks those that are sent codes, `counted`
    (heads,) those that the balance relies on; `stay` has the reported codes of the others, by index.

    A rig that keeps the other heads as they are relies on all heads and controls every head it can reach. A
    rig that solves anew neither relies on heads that are lost or disobey nor controls them, so that the light
    does not chase the lamp's own reports.
    """

    led: tuple[bool, ...]
    counted: tuple[bool, ...]
    stay: Reported


def head_policy(heads: Sequence[HeadCondition], when_lost: str) -> HeadPolicy:
    """Return the policy for heads in these conditions; `when_lost` is the setting of `[balance]`."""
    if when_lost == "solve":
        obeying = tuple(head.state not in ("lost", "disobeying") for head in heads)
        return HeadPolicy(obeying, obeying, reported_codes(heads))
    return HeadPolicy(tuple(head.state != "lost" for head in heads), (True,) * len(heads), {})


def reported_codes(heads: Sequence[HeadCondition]) -> Reported:
    """Return the codes, by index, that disobeying heads report."""
    return {
        i: head.code for i, head in enumerate(heads) if head.state == "disobeying" and head.code is not None
    }


def with_reported_codes(codes: Codes, heads: Sequence[HeadCondition]) -> Codes:
    """Return the codes sent, replaced by the reported codes for heads that disobey."""
    reported = reported_codes(heads)
    return tuple(reported.get(i, code) for i, code in enumerate(codes)) if reported else codes


def found_code(event: HealthEvent, scene: Scene, codes: Codes) -> dict[int, int]:
    """Return the index of a head that is back and its code, if that differs from the
    one in `codes`; else nothing."""
    if not isinstance(event, HeadBack) or event.code is None or event.head not in scene.names:
        return {}
    head = scene.index(event.head)
    return {} if scene.fixed[head] or event.code == codes[head] else {head: event.code}


def _after(
    own: _LampState,
    event: HeadLost | HeadLate | HeadBack | HeadDisobeys | HeadAnswers,
    at_s: float,
    time_s: float,
    sent: int,
) -> _LampState:
    if isinstance(event, HeadAnswers):
        return replace(own, answers=event.answers, confirmed=event.confirmed)
    code = event.code if isinstance(event, HeadDisobeys) else None
    state = _STATES[type(event)]
    if state == own.state:
        return replace(own, code=code)
    before = None
    if isinstance(event, HeadLate):
        before = sent if event.code is None else event.code
    return _LampState(state, at_s, code, own.answers, own.confirmed, before, time_s)


def _joined(own: _LampState, driver: DriverHealth | None) -> HeadCondition:
    answers = own.answers
    if driver is not None and driver.state == "lost":
        since_s = min(own.since_s, driver.since_s) if own.state == "lost" else driver.since_s
        return HeadCondition("lost", since_s, None, answers, None if own.confirmed is None else False)
    if own.state != "ok" or driver is None:
        return HeadCondition(own.state, own.since_s, own.code, answers, own.confirmed, own.before, own.time_s)
    return HeadCondition(driver.state, max(own.since_s, driver.since_s), None, answers, own.confirmed)


def head_limits(scene: Scene, heads: Sequence[HeadCondition]) -> tuple[LimitReport, ...]:
    """Return the heads that are lost or disobey, as limits of the balance."""
    return tuple(
        LimitReport(head=name, role=role, at=head.state, says=_words(name, scene.full_scales[i], head))
        for i, (name, role, head) in enumerate(zip(scene.names, scene.roles, heads, strict=True))
        if head.state == "lost" or head.state == "disobeying"  # noqa: PLR1714 - for mypy
    )


def head_notes(scene: Scene, heads: Sequence[HeadCondition]) -> tuple[str, ...]:
    """Return notes on heads that report for themselves and answer late or disobey."""
    return tuple(
        _words(name, full_scale, head)
        for name, full_scale, head in zip(scene.names, scene.full_scales, heads, strict=True)
        if head.state == "disobeying" or (head.state == "late" and head.confirmed is not None)
    )


def level_reported(full_scale: int, code: int | None) -> float | None:
    """Convert a reported code to a level, 0..1.

    >>> level_reported(200, 50)
    0.25
    """
    return None if code is None or full_scale == 0 else code / full_scale


def _words(name: str, full_scale: int, head: HeadCondition) -> str:
    if head.state == "lost":
        return f"{name} cannot be reached"
    if head.state == "late":
        return f"{name} has not answered"
    level = level_reported(full_scale, head.code)
    return f"{name} does not obey" + ("" if level is None else f": it reports {percent(level)}")
