"""What the balance holds for a subject, before trims, and when that is worked out anew.

An order asks for a new solution at once. A subject that moves asks for one as soon as its estimate has gone
far enough for the light to differ, at most once a frame, and then the pace decides whether the light goes
along."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fillside.balance.rounding import Codes
from fillside.balance.rows import Metering, Rows
from fillside.balance.solve import Solved
from fillside.balance.wish import Wish
from fillside.hold.balancing import Balancing
from fillside.hold.light import FRAME_S
from fillside.hold.pace import Pace
from fillside.hold.subject import Subject
from fillside.rig.model import Point

WORTH_SOLVING_M = 0.002
"""An estimate that moved less changes the light by 0.01 stop at most, at 0.6 m from a lamp."""
_ROUNDING_S = 1e-6
"""A tick that comes as early as the sum of its times is rounded still comes when it was asked for."""


@dataclass(frozen=True)
class Basis:
    """What the light rests on: a solution, the rows it was found for, and the metering of then."""

    solved: Solved
    rows: Rows
    metering: Metering


class Standing:
    """The latest solution: its codes, the place [m] it is for, and what it was found from."""

    def __init__(self, balancing: Balancing, subject: Subject, pace: Pace) -> None:
        self._balancing, self._subject, self._pace = balancing, subject, pace
        self._basis: Basis | None = None
        self._considered: Point = subject.place
        self._stale = False
        self._pursued_s = -math.inf
        self.place: Point = subject.place
        self.codes: Codes = ()

    @property
    def basis(self) -> Basis:
        """The solution that the codes come from; there is one from the first `take` on."""
        assert self._basis is not None, "something was solved"
        return self._basis

    @property
    def pending(self) -> bool:
        """Whether a subject that moved is still to be looked at."""
        return self._stale

    def take(self, wish: Wish, present: Codes | None) -> None:
        """Solve for where the subject is, beside present codes, and let the light rest on that."""
        place = self._subject.place
        solved = self._balancing.solve(place, wish)
        self._basis = self._basis_of(solved, place)
        self.codes = self._balancing.choose(place, wish, solved, present)
        self._considered = self.place = place
        self._stale = False
        self._pace.settled()

    def heard(self) -> None:
        """The subject was reported."""
        if not self._stale:
            moved = math.dist(self._subject.place, self._considered) >= WORTH_SOLVING_M
            self._stale = moved or self._pace.may_settle(self._subject.unmoved_s)

    def light_changed(self) -> None:
        """The room's own light is another: the balance is to be looked at as if the subject had moved."""
        self._stale = True

    def due_in(self, time_s: float) -> float | None:
        """Seconds until a subject that moved is to be looked at; None if none did."""
        return max(0.0, FRAME_S - (time_s - self._pursued_s)) if self._stale else None

    def is_due(self, time_s: float) -> bool:
        """Whether a subject that moved is to be looked at now."""
        return self._stale and time_s - self._pursued_s >= FRAME_S - _ROUNDING_S

    def pursue(self, wish: Wish, time_s: float) -> bool:
        """Solve for where the subject went; whether the light is to go along."""
        self._stale, self._pursued_s = False, time_s
        place = self._considered = self._subject.place
        solved = self._balancing.solve(place, wish)
        apart = math.inf if self._basis is None else self._balancing.apart_stops(solved, self._basis.solved)
        if self._pace.step(apart, self._subject.unmoved_s) == "stay":
            return False
        self._basis, self.place = self._basis_of(solved, place), place
        self.codes = self._balancing.choose(place, wish, solved, self.codes)
        return True

    def _basis_of(self, solved: Solved, place: Point) -> Basis:
        return Basis(solved, self._balancing.rows_at(place), self._balancing.metering)

    def rest(self) -> None:
        """Leave a subject that moved alone until it is reported again."""
        self._stale = False
