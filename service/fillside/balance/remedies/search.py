"""The search for changes that bring a balance within reach.

Every remedy is a change of the rig that was tried by solving again; changes without effect are not offered.
Remedies are ordered in bands by the error they leave, and within a band by their trouble: the dials of the
camera, filters on the lens, a scrim on a head, shading the daylight, moving a stand, another lamp. A changed
target comes last.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from fillside.balance.remedies.candidates import CURED_STOPS, KINDS, CandidateChange, Shortfall, Trouble
from fillside.balance.report import Remedy
from fillside.balance.solution import solve_rig
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig

WORTH_TROUBLE_STOPS = 0.1
"""A remedy must take at least this much off the error, or half the error if that is less."""
BANDS_STOPS = (0.1, 0.5)
"""The edges of the bands."""
_DIALS = (Trouble.ISO, Trouble.APERTURE, Trouble.ND, Trouble.FAR_ISO, Trouble.FAR_APERTURE)


class SearchEndedError(Exception):
    """The search ended because its result was no longer wanted."""


@dataclass(frozen=True)
class _TriedChange:
    """A change that was tried, and the error it leaves in stops."""

    candidate: CandidateChange
    leaves_stops: float

    @property
    def band(self) -> int:
        return sum(self.leaves_stops > edge for edge in BANDS_STOPS)

    @property
    def place(self) -> tuple[bool, int, int, float]:
        """The sort key; differences below a tenth of a stop do not count."""
        is_target = self.candidate.trouble is Trouble.TARGET
        return is_target, self.band, self.candidate.trouble, round(self.leaves_stops, 1)

    @property
    def remedy(self) -> Remedy:
        return Remedy(
            do=self.candidate.do, change=dict(self.candidate.change), leaves_stops=self.leaves_stops
        )


def _always() -> bool:
    return True


def remedies(
    rig: Rig,
    subject: Sequence[float] | None = None,
    calibration: Calibration | None = None,
    is_wanted: Callable[[], bool] = _always,
) -> tuple[Remedy, ...]:
    """Return changes that bring the balance nearer for a subject at a place [m], in the order to try them.

    The result is empty if the balance is reached. `leaves_stops` is the error once the change is in the rig.
    Raises SearchEndedError once the result is no longer wanted, which is asked before each try.
    """
    x, y, z = rig.start if subject is None else subject
    case = Shortfall(rig, (x, y, z), calibration, solve_rig(rig, (x, y, z), None, calibration).judged)
    if case.error_stops <= CURED_STOPS:
        return ()
    found = [best for kind in KINDS for best in _bests(case, _while_wanted(kind(case), is_wanted))]
    return tuple(one.remedy for one in _shutter_last(sorted(found, key=lambda one: one.place)))


def _while_wanted(
    ways: Iterable[Iterable[CandidateChange]], is_wanted: Callable[[], bool]
) -> Iterator[Iterator[CandidateChange]]:
    """Yield the same ways, until their result is no longer wanted."""

    def steps(way: Iterable[CandidateChange]) -> Iterator[CandidateChange]:
        for step in way:
            if not is_wanted():
                raise SearchEndedError
            yield step

    yield from map(steps, ways)


def _bests(case: Shortfall, ways: Iterable[Iterable[CandidateChange]]) -> Iterator[_TriedChange]:
    """Yield the best change of each way; of two ways that move a key in opposite directions, the better."""
    by_keys: dict[tuple[str, ...], _TriedChange] = {}
    for steps in ways:
        best = _best(case, steps)
        if best is not None:
            keys = tuple(best.candidate.change)
            by_keys[keys] = min(by_keys.get(keys, best), best, key=lambda one: one.leaves_stops)
    yield from by_keys.values()


def _best(case: Shortfall, steps: Iterable[CandidateChange]) -> _TriedChange | None:
    """Return the smallest change that cures, else the most effective one if worth the trouble."""
    best: _TriedChange | None = None
    for step in steps:
        left = case.left_by(step.change)
        if left is None:
            continue
        if best is None or left < best.leaves_stops - 0.01:
            best = _TriedChange(step, round(left, 4))
        if left <= CURED_STOPS:
            break
    worth = min(WORTH_TROUBLE_STOPS, case.error_stops / 2)
    return best if best is not None and best.leaves_stops <= case.error_stops - worth else None


def _shutter_last(found: list[_TriedChange]) -> list[_TriedChange]:
    """Drop the dials that would come after the shutter."""
    places = [i for i, one in enumerate(found) if one.candidate.trouble is Trouble.SHUTTER]
    if not places:
        return found
    return [one for i, one in enumerate(found) if i <= places[0] or one.candidate.trouble not in _DIALS]
