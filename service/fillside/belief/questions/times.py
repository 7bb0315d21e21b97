"""The time that a person takes to answer a question: the price of what it tells.

Common practice, no source: counted from the answer before to this one, for somebody who holds the meter,
hears what is wanted and hands in a number. What stays as it was (place, direction, receptor) costs nothing
again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from fillside.belief.evidence import OWN_HEAD, Reading
from fillside.belief.questions.candidates import Candidate, Question, TapeCandidate
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

READING_S = 20.0
"""To wait for the light, read the meter and hand the number in."""
TURN_S, RECEPTOR_S = 5.0, 10.0
"""To point the receptor elsewhere, and to put the other receptor on."""
MARK_S, PLACE_S = 8.0, 25.0
"""To go to a mark, and to a place that has to be measured first."""
DARK_S = 15.0
"""To stand still while all goes dark, having said that one is ready."""
TAPE_S = 35.0
"""To hold a tape from the place to the middle of a head and hand the number in."""
_SAME_PLACE_M = 0.03


@dataclass(frozen=True)
class QuestionTimes:
    """Questions (m) by all that their time depends on.

    Attributes:
        at: where one stands (m, 3) [m].
        going_s: the time that it takes to get there (m,) [s].
        facing, receptor: what the receptor faces, and which it is (m,).
        dark, tape: true for those with all heads out, and for tape measures (m,).
    """

    at: FloatArray
    going_s: FloatArray
    facing: NDArray[np.str_]
    receptor: NDArray[np.str_]
    dark: BoolArray
    tape: BoolArray

    @classmethod
    def of(cls, asked: Sequence[Question], rig: Rig) -> Self:
        at = np.array([one.at for one in asked], dtype=np.float64).reshape(-1, 3)
        marks = np.array(list(rig.marks.values()), dtype=np.float64)
        at_mark = (np.linalg.norm(at[:, None] - marks[None], axis=2) <= _SAME_PLACE_M).any(axis=1)
        read = [one if isinstance(one, Candidate) else None for one in asked]
        return cls(
            at,
            np.where(at_mark, MARK_S, PLACE_S),
            np.array(["" if one is None else one.facing for one in read]),
            np.array(["" if one is None else one.receptor for one in read]),
            np.array([one is not None and one.head is None for one in read], dtype=np.bool_),
            np.array([isinstance(one, TapeCandidate) for one in asked], dtype=np.bool_),
        )

    def after_reading(self, last: Reading | None) -> FloatArray:
        """The time of each question (m,) after a reading [s]; None for before any."""
        if last is None:
            return self.going_s + np.where(self.tape, TAPE_S, READING_S + DARK_S * self.dark)
        own = last.heads[0] if last.facing == OWN_HEAD and last.heads else last.facing
        return self._after(np.array(last.at, dtype=np.float64), own, last.receptor, not last.heads)

    def after(self, one: int) -> FloatArray:
        """The time of each question (m,) after one of them [s]."""
        return self._after(self.at[one], str(self.facing[one]), str(self.receptor[one]), bool(self.dark[one]))

    def _after(self, at: FloatArray, facing: str, receptor: str, dark: bool) -> FloatArray:
        way = self.going_s * (np.linalg.norm(self.at - at, axis=1) > _SAME_PLACE_M)
        handling = TURN_S * (self.facing != facing) + RECEPTOR_S * (self.receptor != receptor)
        reading = READING_S + handling + (0.0 if dark else DARK_S) * self.dark
        return np.asarray(way + np.where(self.tape, TAPE_S, reading))
