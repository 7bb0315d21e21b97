"""The questions of a line-up: what parts the stories behind what was read, at the least price."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from fillside.belief.belief import Belief
from fillside.belief.changes import DECIDED, Judgement, NewEvidence, Seen, judge, worth_asking
from fillside.belief.evidence import OWN_HEAD, Reading, TapeMeasure
from fillside.rig.tables.model import Point

NEARER, NEAREST_M = 0.5, 0.5
"""At which part of the distance a second reading is taken, to tell distance from level: a stand that moved shows
there about twice as much; and the least distance."""
_PRICES_S = {"tape": 25.0, "again": 15.0, "near": 45.0}
"""What a person takes for a question; common practice, no source."""
_MOST_ALIKE, _MOST_ALONE = 3, 6
"""Most readings of one kind, and of one head in all."""
_WORTH_NATS = 0.01
"""What tells less of the stories is not asked."""
_SAME_PLACE_M = 0.03
_CONCERNED = 0.03
"""From this probability on a story is one to ask about."""


def to_ask(belief: Belief, seen: Sequence[Seen], days: float = 0.0) -> Seen | None:
    """The cheapest question that parts the stories behind what was seen; None once one of them is decided."""
    if not seen:
        return None
    judgement = judge(NewEvidence(belief, seen, days=days), DECIDED)
    if judgement.decided:
        return None
    asked = [(way, one) for head in _concerned(judgement) for way, one in _ways(belief, seen, head)]
    if not asked:
        return None
    evidence = NewEvidence(belief, seen, [one for _, one in asked], days)
    told = worth_asking(evidence, judge(evidence, DECIDED))
    best = int(np.argmax(told / np.array([_PRICES_S[way] for way, _ in asked])))
    return asked[best][1] if told[best] > _WORTH_NATS else None


def _concerned(judgement: Judgement) -> list[int]:
    heads = [
        one.story.of
        for one in judgement.told
        if one.story is not None and one.story.kind in ("lamp", "stand") and one.probability > _CONCERNED
    ]
    return list(dict.fromkeys(head for head in heads if head is not None))


def _ways(belief: Belief, seen: Sequence[Seen], head: int) -> Iterator[tuple[str, Seen]]:
    """What may still be asked of a head that was read alone: a tape; the same once more; one as it was taken for
    the calibration, which says best what is other since; and one nearer to it."""
    name = belief.model.names[head]
    alone = [one for one in seen if isinstance(one, Reading) and one.heads == (name,)]
    if not alone:
        return
    first = alone[0]
    if not any(isinstance(one, TapeMeasure) and one.head == name for one in seen):
        yield "tape", TapeMeasure(head=name, at=first.at, distance_m=1.0)
    if len(alone) >= _MOST_ALONE:
        return
    then = [one for one in belief.readings if one.heads == (name,) and one.facing in (OWN_HEAD, name)]
    near = first.model_copy(update={"at": nearer(first.at, belief.rig.heads[head].position)})
    for one in {_setting(one): one for one in (first, *then, near)}.values():
        if sum(_setting(one) == _setting(other) for other in alone) >= _MOST_ALIKE:
            continue
        here = math.dist(one.at, first.at) < _SAME_PLACE_M
        yield "again" if here else "near", one


def _setting(reading: Reading) -> tuple[object, ...]:
    return reading.levels, reading.at, reading.receptor


def nearer(at: Point, head: Point) -> Point:
    """A place on the line from a place to a head, nearer to it [m]."""
    start, source = np.array(at), np.array(head)
    far = math.dist(at, head)
    step = max(far - max(NEARER * far, NEAREST_M), 0.0) / max(far, 1e-9)
    x, y, z = (float(round(v, 2)) for v in start + step * (source - start))
    return x, y, z
