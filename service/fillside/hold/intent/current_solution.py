"""The current solution of the balance for the subject, before trims, and the moments it is solved anew.

An order asks for a new solution at once. A subject that moves asks for one as soon as its estimate has gone
far enough for the light to differ, at most once a frame, and then the pace decides whether the light goes
along."""

from __future__ import annotations

import math

from fillside.balance.solution import Solution
from fillside.balance.solver.rounding import Codes
from fillside.balance.target import BalanceTarget
from fillside.hold.fading.fader import FRAME_S
from fillside.hold.intent.balancing import Balancing
from fillside.hold.tracking.pace import RECENT_S, REST_S, Pace
from fillside.hold.tracking.subject import TrackedSubject
from fillside.rig.tables.model import Point

WORTH_SOLVING_M = 0.002
"""An estimate that moved less changes the light by 0.01 stop at most, at 0.6 m from a lamp."""
_ROUNDING_S = 1e-6
"""A tick that comes as early as the sum of its times is rounded still comes when it was asked for."""


class CurrentSolution:
    """The latest solution: its codes, the place [m] it is for, and what it was found from."""

    def __init__(self, balancing: Balancing, subject: TrackedSubject, pace: Pace) -> None:
        self._balancing, self._subject, self._pace = balancing, subject, pace
        self._basis: Solution | None = None
        self._considered: Point = subject.place
        self._stale = self._other_light = False
        self._pursued_s = -math.inf
        self.place: Point = subject.place
        self.codes: Codes = ()

    @property
    def basis(self) -> Solution:
        """The solution that the codes come from; there is one from the first `take` on."""
        assert self._basis is not None, "something was solved"
        return self._basis

    @property
    def pending(self) -> bool:
        """True while a subject that moved is still to be looked at."""
        return self._stale

    def take(self, target: BalanceTarget, present: Codes | None) -> None:
        """Solve for where the subject is, beside present codes, and let the light rest on that."""
        place = self._subject.place
        self._basis = self._balancing.solve(place, target, present)
        self.codes = self._basis.codes
        self._considered = self.place = place
        self.rest()
        self._pace.settle()

    def subject_reported(self, too_bright: bool = False) -> None:
        """The subject was reported, at a place where the light may be `too_bright`."""
        if not self._stale:
            moved = too_bright or math.dist(self._subject.place, self._considered) >= WORTH_SOLVING_M
            self._stale = moved or self._pace.looks_again(self._subject.unmoved_s)

    def light_changed(self) -> None:
        """The ambient light changed; look at the balance as if the subject had moved."""
        self._stale = self._other_light = True

    def due_in(self, time_s: float) -> float | None:
        """Seconds until a subject that moved is to be looked at; None if none did."""
        return max(0.0, FRAME_S - (time_s - self._pursued_s)) if self._stale else None

    def is_due(self, time_s: float) -> bool:
        """True when a subject that moved is to be looked at now."""
        return self._stale and time_s - self._pursued_s >= FRAME_S - _ROUNDING_S

    def pursue(self, target: BalanceTarget, time_s: float, too_bright: bool = False) -> bool:
        """Solve for the new place of the subject; true if the light is to go along.

        A light that is `too_bright` there goes along whatever the pace.
        """
        subject, no_walk = self._subject, self._other_light or too_bright
        self.rest()
        self._pursued_s = time_s
        place, solution = self._solve_there(target)
        off = math.inf if too_bright else self._off_stops(place, target, solution)
        step = self._pace.step(off, subject.unmoved_s, no_walk or subject.walked)
        if step == "stay":
            return False
        if step == "begin" and not no_walk:
            subject.believe_the_latest(RECENT_S)
            place, solution = self._solve_there(target)
        elif step == "begin" and subject.unmoved_s >= REST_S:
            self._pace.settle()
        self._basis, self.place, self.codes = solution, place, solution.codes
        return True

    def _off_stops(self, place: Point, target: BalanceTarget, solution: Solution) -> float:
        """The distance of the light from a new solution, 0 where the wires have no better codes."""
        off = self._balancing.off_stops(place, target, self.codes, solution.solved)
        rests = self._pace.resting and off > self._pace.band_stops
        if rests and solution.codes == self.codes:
            return 0.0
        return off

    def _solve_there(self, target: BalanceTarget) -> tuple[Point, Solution]:
        place = self._considered = self._subject.place
        return place, self._balancing.solve(place, target, self.codes)

    def rest(self) -> None:
        """Leave a subject that moved alone until it is reported again."""
        self._stale = self._other_light = False
