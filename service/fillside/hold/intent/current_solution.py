"""The current solution of the balance for the subject, before trims, and the rule for solving again.

An order asks for a new solution at once. A subject that moves asks for one once its estimate has moved far
enough to change the light, at most once a frame; the pace then decides whether the light follows."""

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
"""A smaller move of the estimate changes the light by 0.01 stop at most, at 0.6 m from a lamp."""
_ROUNDING_S = 1e-6
"""Tolerance for a tick that comes early by the rounding error of its summed times."""


class CurrentSolution:
    """The latest solution: its codes, the place [m] it was found for, and its basis."""

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
        """The solution that the codes come from; available after the first `take`."""
        assert self._basis is not None, "something was solved"
        return self._basis

    @property
    def pending(self) -> bool:
        """True while a move of the subject has not been considered."""
        return self._stale

    def take(self, target: BalanceTarget, present: Codes | None) -> None:
        """Solve for the subject's place, near the present codes, and let the light rest on the result."""
        place = self._subject.place
        self._basis = self._balancing.solve(place, target, present)
        self.codes = self._basis.codes
        self._considered = self.place = place
        self.rest()
        self._pace.settle()

    def subject_reported(self, too_bright: bool = False) -> None:
        """Note a report of the subject, at a place where the light may be `too_bright`."""
        if not self._stale:
            moved = too_bright or math.dist(self._subject.place, self._considered) >= WORTH_SOLVING_M
            self._stale = moved or self._pace.looks_again(self._subject.unmoved_s)

    def light_changed(self) -> None:
        """Note a change of the ambient light; treat it like a move of the subject."""
        self._stale = self._other_light = True

    def due_in(self, time_s: float) -> float | None:
        """Return the seconds until a move of the subject is to be considered; None if there was none."""
        return max(0.0, FRAME_S - (time_s - self._pursued_s)) if self._stale else None

    def is_due(self, time_s: float) -> bool:
        """Return true if a move of the subject is to be considered now."""
        return self._stale and time_s - self._pursued_s >= FRAME_S - _ROUNDING_S

    def pursue(self, target: BalanceTarget, time_s: float, too_bright: bool = False) -> bool:
        """Solve for the subject's new place; return true if the light is to follow.

        Light that is `too_bright` there follows whatever the pace.
        """
        subject, no_walk = self._subject, self._other_light or too_bright
        self.rest()
        self._pursued_s = time_s
        place, solution = self._solve_there(target)
        # Without a band the light follows however far off it is.
        follows = too_bright or self._pace.band_stops == 0
        off = math.inf if follows else self._off_stops(place, target, solution)
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
        """Return the distance of the light from a new solution, 0 if the wires have no better codes."""
        off = self._balancing.off_stops(place, target, self.codes, solution.solved)
        rests = self._pace.resting and off > self._pace.band_stops
        if rests and solution.codes == self.codes:
            return 0.0
        return off

    def _solve_there(self, target: BalanceTarget) -> tuple[Point, Solution]:
        place = self._considered = self._subject.place
        return place, self._balancing.solve(place, target, self.codes)

    def rest(self) -> None:
        """Ignore the subject's move until the next report."""
        self._stale = self._other_light = False
