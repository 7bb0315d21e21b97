"""News of a head beside readings: a tape measure, a stand that was moved, a lamp that was changed."""

from __future__ import annotations

import math

from fillside.belief.evidence import METRES_PER, Evidence, HeadEvent, TapeMeasure
from fillside.belief.result.comparing import changed_words
from fillside.belief.result.expanded_uncertainty import around, expanded
from fillside.metering.metered_studio import LightNow
from fillside.metering.readings import known_head, place_of, sure_words, value_of
from fillside.orders.answers import Refusal
from fillside.orders.metering import HeadEventOrder, Read
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import FARTHEST_M, Rig

_OF_LIGHT = ("level", "receptor", "facing", "virtual", "check")
_LONGEST_M = 2 * FARTHEST_M


def is_tape(order: Read) -> bool:
    """Return true for an order whose value is a distance, not light."""
    return order.unit.lower() in METRES_PER


def tape_of(order: Read, rig: Rig, now: LightNow) -> TapeMeasure:
    """The tape measure that an order hands in; a left out place is the subject's. Refusal in one line."""
    for name in _OF_LIGHT:
        if getattr(order, name) not in (None, False):
            raise Refusal("bad_order", f"a tape measure has no {name}: {_ASKED}", name)
    if not order.head:
        raise Refusal("bad_order", f"say which head was measured: {_ASKED}", "head")
    head, at, value = known_head(order.head, rig), place_of(order, rig, now), value_of(order)
    if value is None:
        raise Refusal("bad_order", f"give the distance: {_ASKED}", "value")
    distance_m = value * METRES_PER[order.unit.lower()]
    if not 0 < distance_m <= _LONGEST_M:
        said = f"{value:g} {order.unit.lower()}"
        right = f"more than 0, at most {_LONGEST_M:g} m is right"
        raise Refusal("out_of_range", f"the distance is {said}; {right}", "value")
    return TapeMeasure(head=head, at=at, distance_m=distance_m, note=order.note)


_ASKED = "it is the distance of one head's lit face from a place, such as 1.62 m of fill from chair"


def event_of(order: HeadEventOrder, rig: Rig) -> HeadEvent:
    """The event that an order tells of; Refusal for a head that the rig does not have."""
    return HeadEvent(head=known_head(order.head, rig), kind=order.kind, note=order.note)


def told_words(number: int, piece: TapeMeasure | HeadEvent, rig: Rig) -> str:
    """The note on a tape measure or an event that was taken, and its meaning."""
    if isinstance(piece, TapeMeasure):
        file_m = math.dist(rig.head(piece.head).position, piece.at)
        away = f"{piece.head} is {piece.distance_m:.2f} m away, by the rig file {file_m:.2f} m"
        return f"tape {number} taken: {away}"
    if piece.kind == "moved":
        return f"event {number} taken: what was metered of {piece.head} before says no more where it stands"
    return f"event {number} taken: what was metered of {piece.head} before says no more how bright it is"


def outcome_words(rig: Rig, head: str, before: Calibration | None, after: Calibration) -> str:
    """The changes that a calibration with news of a head brings, and the uncertainty of its light now."""
    now = after.heads[head].sigma_stops
    known = ""
    if now is not None:
        known = f"; the light of {head} is known to {around(expanded(now))}"
        then = None if before is None or head not in before.heads else before.heads[head].sigma_stops
        known += "" if then is None else f", before to {around(expanded(then))}"
    return f"{changed_words(rig, before, after)}{known}{sure_words(after)}"


def says_of_light(calibration: Calibration) -> bool:
    """Return true if a calibration rests on more than events, which by themselves say nothing of light."""
    return bool(calibration.readings()) or any(note.kind == "tape" for note in calibration.told)


def counted_words(evidence: Evidence) -> str:
    """The number of pieces of evidence, kind by kind.

    >>> counted_words(Evidence(events=(HeadEvent(head="key", kind="moved"),)))
    '1 event'
    """
    kinds = (
        (len(evidence.readings), "reading"),
        (len(evidence.tapes), "tape measure"),
        (len(evidence.events), "event"),
    )
    return ", ".join(f"{count} {noun}{'' if count == 1 else 's'}" for count, noun in kinds if count)
