"""The next question: which answer would bring the held light nearest to good enough for the time it takes.

What counts is the mean square uncertainty of the held ratio, exposure and face, at the marks and about them,
at the levels that hold the balance there, each over what is good enough of it, and a little also how surely
the other heads keep their distance to the key.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.balance.rows import EXPOSURE as EXPOSURE_ROW
from fillside.balance.rows import FACE_FILL, FACE_KEY, LIT, SHADOW
from fillside.balance.target import target_from_rig
from fillside.belief.belief import Belief
from fillside.belief.questions.candidates import Place, Question, candidates
from fillside.belief.questions.forecast import EXPOSURE, FACE, GOOD_STOPS, OTHERS, RATIO, Aims, Forecast
from fillside.belief.result.expanded_uncertainty import COVERAGE_FACTOR
from fillside.belief.result.expected_levels import ExpectedLevels, plain_calibration
from fillside.belief.result.intervals import Intervals, own_light
from fillside.rig.tables.model import HIGHEST_M

FloatArray = NDArray[np.float64]

ABOUT_M, ABOUT_HEIGHT_M = 0.55, 0.3
"""Distances about a mark within which the light is to be sure: a subject shifts, leans, sits and stands."""
LITTLE_GAIN = 0.04
"""Enough is asked as well when two more answers take less than this share off what is unsure."""
MOST_TO_COME, _LOOKED_AT = 30, 200
"""So far ahead answers are counted; more than that nobody gives."""


@dataclass(frozen=True)
class Sureness:
    """Standard uncertainties at the marks [stops], of other heads against the key; None where the rig has no
    such number."""

    ratio: float | None
    exposure: float | None
    face: float | None
    others: float | None


@dataclass(frozen=True)
class NextReading:
    """The question that helps most for its time, and how sure the light at the marks is now, after its
    answer, and after two.

    `expected` is what should be read [lux; m of a tape], within `expected_sigma` [stops; m]. `enough` says
    that one may as well stop before it: the light is `good` enough to shoot, or little is to be gained.
    `to_come` estimates how many answers are to be given until then, this one among them, and `to_come_s` how
    long that takes [s].
    """

    asked: Question
    expected: float
    expected_sigma: float
    now: Sureness
    after: Sureness
    after_two: Sureness
    good: bool
    enough: bool
    to_come: int
    to_come_s: float


def next_reading(
    belief: Belief,
    intervals: Intervals | None = None,
    levels: ExpectedLevels | None = None,
    only: Collection[str | None] | None = None,
    tapes: bool = False,
) -> NextReading | None:
    """The question whose answer would help most; None if there is nothing to ask for.

    `only` names the heads that may be asked for, None among them for the ambient light. `intervals` and
    `levels`, where they are at hand, are those of the belief. `tapes`: the person has a tape measure.
    """
    levels = ExpectedLevels(belief) if levels is None else levels
    if intervals is None:
        intervals = Intervals(belief.rig, plain_calibration(belief), belief)
    held = [levels.at(mark) for mark in belief.rig.marks.values()]
    asked = list(dict.fromkeys(candidates(belief, held, only, tapes)))
    if not asked:
        return None
    aims = aims_of(belief, intervals, levels, held)
    asked = _foremost(belief, asked, aims)
    found = Forecast.of(belief, asked, aims)
    best, after = found.best, found.with_best()
    now = _told(belief, intervals, held, found.told()[OTHERS])
    good = not found.unseen and _is_good([now.ratio, now.exposure, now.face, now.others])
    enough = good or (not found.unseen and _gains_little(found))
    to_come, seconds = (0, 0.0) if enough else _to_come(found)
    return NextReading(
        asked=asked[best],
        expected=float(found.expected[best]),
        expected_sigma=float(np.sqrt(found.spread[best])),
        now=now,
        after=_sureness(after),
        after_two=_sureness(after.with_best()),
        good=good,
        enough=enough,
        to_come=to_come,
        to_come_s=seconds,
    )


def _told(belief: Belief, intervals: Intervals, held: Sequence[FloatArray], others: float | None) -> Sureness:
    """The uncertainties that are told at the marks: of each the largest."""
    target, found = target_from_rig(belief.rig), []
    for mark, levels in zip(belief.rig.marks.values(), held, strict=True):
        sure = intervals.at(mark, levels.tolist(), (levels > 0).tolist(), target).uncertainty
        found.append((sure.ratio_stops, sure.exposure_stops, sure.face_stops))
    most = [max((u for u in own if u is not None), default=None) for own in zip(*found, strict=True)]
    ratio, exposure, face = (None if u is None else u / COVERAGE_FACTOR for u in most)
    return Sureness(ratio, exposure, face, others)


def _sureness(found: Forecast) -> Sureness:
    told = found.told()
    return Sureness(told[RATIO], told[EXPOSURE], told[FACE], told[OTHERS])


def _is_good(told: Sequence[float | None]) -> bool:
    """Return true if the uncertainties of the kinds of aims [stops] are all good enough to shoot."""
    return all(own is None or own <= good for own, good in zip(told, GOOD_STOPS.tolist(), strict=True))


def _gains_little(found: Forecast) -> bool:
    """Return true if two more answers bring the light hardly nearer to good enough."""
    one, other = (
        [own / good for own, good in zip(each.told(), GOOD_STOPS.tolist(), strict=True) if own is not None]
        for each in (found, found.with_best().with_best())
    )
    return all(
        after > (1 - LITTLE_GAIN) * before for before, after in zip(one, other, strict=True) if before > 1
    )


def _to_come(found: Forecast) -> tuple[int, float]:
    """The number of answers until it is enough, and their time [s], if the best is always asked."""
    for count in range(1, MOST_TO_COME):
        found = found.with_best()
        if not found.unseen and (_is_good(found.told()) or _gains_little(found)):
            return count, found.spent_s
    return MOST_TO_COME, found.spent_s


def _foremost(belief: Belief, asked: Sequence[Question], aims: Aims) -> list[Question]:
    """The questions that gain most, some at a time, since a rig of hundreds of heads has tens of
    thousands."""
    if len(asked) <= _LOOKED_AT:
        return list(asked)
    gains = [
        Forecast.of(belief, asked[first : first + _LOOKED_AT], aims).gains
        for first in range(0, len(asked), _LOOKED_AT)
    ]
    kept = np.sort(np.argsort(-np.concatenate(gains), kind="stable")[:_LOOKED_AT])
    return [asked[i] for i in kept.tolist()]


def places_about(mark: Sequence[float]) -> tuple[Place, ...]:
    """A mark and places about it where the subject may come to be."""
    x, y, z = mark
    level = [(ABOUT_M, 0.0), (-ABOUT_M, 0.0), (0.0, ABOUT_M), (0.0, -ABOUT_M)]
    up, down = min(z + ABOUT_HEIGHT_M, HIGHEST_M), max(z - ABOUT_HEIGHT_M, 0.0)
    return (x, y, z), *((x + dx, y + dy, z) for dx, dy in level), (x, y, up), (x, y, down)


def aims_of(
    belief: Belief, intervals: Intervals, expected: ExpectedLevels, held: Sequence[FloatArray]
) -> Aims:
    """Ratio, exposure and face at the marks and about them, and other heads against the key at the marks."""
    rig, rows, left_out = belief.rig, list[FloatArray](), list[FloatArray]()
    of, at_mark = list[int](), list[bool]()
    by_face = target_from_rig(rig).read_as == "face"
    bright, dark = (FACE_KEY, FACE_FILL) if by_face else (LIT, SHADOW)
    others = [i for i, head in enumerate(rig.heads) if head.rule in ("hair", "background")]
    for mark, levels in zip(rig.marks.values(), held, strict=True):
        for place in places_about(mark):
            there = place == mark
            slopes, coarse = intervals.log2_slopes(place, levels if there else expected.at(place))
            rows += [
                slopes[bright] - slopes[dark],
                slopes[EXPOSURE_ROW],
                slopes[FACE_KEY] - slopes[FACE_FILL],
            ]
            left_out += [
                np.hypot(coarse[bright], coarse[dark]),
                coarse[EXPOSURE_ROW],
                np.hypot(coarse[FACE_KEY], coarse[FACE_FILL]),
            ]
            of, at_mark = [*of, RATIO, EXPOSURE, FACE], [*at_mark, there, there, there]
            if there:
                rows += list(own_light(belief, mark, levels)[1][others] - slopes[LIT])
                left_out += [np.zeros(())] * len(others)
                of, at_mark = [*of, *[OTHERS] * len(others)], [*at_mark, *[True] * len(others)]
    return Aims(np.array(rows), np.array(of), np.array(at_mark), np.array(left_out))
