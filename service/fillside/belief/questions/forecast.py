"""The effect of answers not yet given: what each question would do to the uncertainty of the held light.

An answer has a known effect on a belief that is linear about its best studio, whatever it is: with covariance
C of the unknowns, slopes a of what is asked and its variance v, C becomes C - C a a' C / (a' C a + v) (V. V.
Fedorov, Theory of Optimal Experiments, 1972). So the way ahead can be gone without any answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fillside.belief.belief import Belief
from fillside.belief.questions.candidates import Question
from fillside.belief.questions.times import QuestionTimes
from fillside.belief.since.changes import NewEvidence

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

RATIO, EXPOSURE, FACE, OTHERS = range(4)
GOOD_STOPS = np.array([0.1, 0.1, 0.15, 0.15])
"""Standard uncertainties that are good enough to shoot: twice that is a fifth of a stop for ratio and
exposure, well below the third by which cameras and meters step. Of the face and of other heads it is nearly
that third: a face that turns a little changes by more, and hair and background are set by taste."""
WEIGHTS = np.array([1.0, 1.0, 1.0, 0.1])
ROOM = -1
"""The light with all heads out, as the subject of a question."""
MATTERS = 0.4
"""The share of the largest gain from which a question may be asked because it takes less time."""


@dataclass(frozen=True)
class Aims:
    """The quantities that are to become sure (p): slopes (p, size) [stops], their kinds (`RATIO` and so
    on), true for those at a mark, and the errors that the model leaves in them [stops]."""

    rows: FloatArray
    of: IntArray
    at_mark: BoolArray
    left_out: FloatArray


@dataclass(frozen=True)
class Forecast:
    """Questions (m), what they share with one another and with the aims (p), and what is left unknown of
    those.

    Attributes:
        expected: the answer expected of each (m,) [lux, or metres of a tape].
        alike, noise: covariance of what they are of (m, m), and the variance of each alone (m,).
        shared: covariance with the aims (m, p).
        left: variance of the aims (p,) [stops^2].
        aims: the aims.
        times, seconds: how long each takes after any other, and after the last answer (m,) [s].
        subject: the head that each is of (m,), `ROOM` for the light with all heads out.
        unseen: the subjects of which nothing was seen yet; they come first, in order, the room last.
        spent_s: the time that the questions took that were gone ahead with [s].
    """

    expected: FloatArray
    alike: FloatArray
    noise: FloatArray
    shared: FloatArray
    left: FloatArray
    aims: Aims
    times: QuestionTimes
    seconds: FloatArray
    subject: IntArray
    unseen: frozenset[int]
    spent_s: float = 0.0

    @classmethod
    def of(cls, belief: Belief, asked: Sequence[Question], aims: Aims) -> Forecast:
        seen = NewEvidence(belief, (), [one.as_evidence for one in asked])
        places = {name: i for i, name in enumerate(belief.model.names)}
        subject = np.array([ROOM if one.head is None else places[one.head] for one in asked])
        times, after = QuestionTimes.of(asked, belief.rig), belief.posterior
        return cls(
            seen.expected,
            after.covariance(seen.rows, seen.rows),
            seen.own_sd**2,
            after.covariance(seen.rows, aims.rows),
            after.variance(aims.rows),
            aims,
            times,
            times.after_reading(belief.readings[-1] if belief.readings else None),
            subject,
            unseen_subjects(belief) & frozenset(subject.tolist()),
        )

    @property
    def spread(self) -> FloatArray:
        """Variance of each answer (m,)."""
        return np.asarray(np.diag(self.alike) + self.noise)

    @property
    def gains(self) -> FloatArray:
        """The drop (m,) that each answer brings in the mean square of the uncertainties over what is good
        enough."""
        less = self.shared**2 / self.spread[:, None]
        return np.asarray(less @ self._weights)

    @property
    def _weights(self) -> FloatArray:
        """The weight of each aim (p,): by kind over what is good enough of it, half of it at the marks."""
        found = np.zeros(len(self.aims.of))
        for kind, good in enumerate(GOOD_STOPS):
            for there in (self.aims.at_mark, ~self.aims.at_mark):
                own = (self.aims.of == kind) & there
                found[own] = WEIGHTS[kind] / good**2 / max(int(own.sum()), 1)
        return found

    @property
    def best(self) -> int:
        """The question with the largest gain for the time it takes, among those that gain much.

        Of what nobody has read there is no telling how far it strays from its label, so that comes first.
        """
        gains = np.where(self._comes_first, self.gains, -1.0)
        worth = np.where(gains >= MATTERS * gains.max(), gains / self.seconds, -1.0)
        return int(np.argmax(worth))

    @property
    def _comes_first(self) -> BoolArray:
        """True for the questions (m,) of the first subject of which nothing was seen, or for all of them."""
        if not self.unseen:
            return np.ones(len(self.subject), dtype=np.bool_)
        return np.asarray(self.subject == min(self.unseen - {ROOM}, default=ROOM))

    def told(self) -> list[float | None]:
        """Standard uncertainties of ratio, exposure, face and other heads at the worst mark [stops]."""
        variance = self.left + self.aims.left_out**2
        found = [variance[(self.aims.of == kind) & self.aims.at_mark] for kind in range(len(GOOD_STOPS))]
        return [math.sqrt(float(own.max())) if len(own) else None for own in found]

    def with_best(self) -> Forecast:
        """The forecast once the best question is answered."""
        best, over = self.best, float(self.spread[self.best])
        own, of_aims = self.alike[:, best], self.shared[best]
        return replace(
            self,
            alike=self.alike - np.outer(own, own) / over,
            shared=self.shared - np.outer(own, of_aims) / over,
            left=np.maximum(self.left - of_aims**2 / over, 0.0),
            seconds=self.times.after(best),
            unseen=self.unseen - {int(self.subject[best])},
            spent_s=self.spent_s + float(self.seconds[best]),
        )


def unseen_subjects(belief: Belief) -> frozenset[int]:
    """The heads, and the room with all of them out, of which there is no reading yet."""
    read = {name for reading in belief.readings for name in reading.heads}
    heads = {i for i, name in enumerate(belief.model.names) if name not in read}
    return frozenset(heads | ({ROOM} if all(reading.heads for reading in belief.readings) else set()))
