"""Evidence as orders hand it in, the notes that answer, and its way to the disk.

What is refused because the disk did not answer in time may be stored all the same, a moment later; what a
failing disk refused may be there too, since a sync that fails leaves it open. It is then made not to count.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence

from fillside.belief.evidence import (
    METRES_PER,
    Evidence,
    HeadEvent,
    Piece,
    Reading,
    ReadingError,
    TapeMeasure,
    reading_from_words,
)
from fillside.belief.observations import exposure_facing
from fillside.belief.result.comparing import changed_words
from fillside.belief.result.expanded_uncertainty import around, expanded
from fillside.metering.metered_studio import HALF_A_CODE, LightNow
from fillside.orders.answers import Refusal
from fillside.orders.metering import HeadEventOrder, Read
from fillside.rig.calibration import Calibration
from fillside.rig.notation import level_number
from fillside.rig.problems import unknown_name
from fillside.rig.tables.model import FARTHEST_M, Point, Rig
from fillside.storage.records import metering as kept
from fillside.storage.rows import WEIGHED
from fillside.storage.store import Store
from fillside.storage.writer import wait_until_stored

_OF_LIGHT = ("level", "receptor", "facing", "virtual", "check")
_LONGEST_M = 2 * FARTHEST_M
_TAPE = "it is the distance of one head's lit face from a place, such as 1.62 m of fill from chair"
CHECK = "check"
"""The purpose of a reading that only tells of drift."""
TOO_LATE = "stored too late: it was refused"
IN_DOUBT = "the disk failed: it was refused"
_STRUCK = "UPDATE reading SET struck = ? WHERE id = ?"
_STRUCK_OF = (
    "UPDATE reading SET struck = ? WHERE at = ? AND who = ? AND struck IS NULL "
    "AND purpose IN (SELECT value FROM json_each(?))"
)


def reading_of(order: Read, rig: Rig, now: LightNow) -> Reading:
    """The reading that an order hands in.

    Left out levels are those of now, a left out place is the subject's; ReadingError or Refusal in one line.
    """
    heads = [name.strip() for name in (order.head or "").split("+") if name.strip()]
    for name in heads:
        known_head(name, rig)
    place = place_of(order, rig, now)
    return reading_from_words(
        heads=heads,
        levels=_levels(order, heads, now),
        at=place,
        value=value_of(order),
        unit=order.unit,
        receptor=order.receptor or "",
        facing=order.facing or "",
        rig=rig,
        remarks={"note": order.note},
    )


def known_head(name: str, rig: Rig) -> str:
    """The name, if it is that of a head; Refusal otherwise."""
    names = [head.name for head in rig.heads]
    if name not in names:
        raise Refusal("unknown_name", unknown_name("head", name, names), "head")
    return name


def place_of(order: Read, rig: Rig, now: LightNow) -> Point:
    """The place of an order's reading [m], by default the subject's; Refusal for an unknown mark."""
    place = now.subject if order.at is None else order.at
    if isinstance(place, str):
        if place not in rig.marks:
            raise Refusal("unknown_name", unknown_name("mark", place, rig.marks), "at")
        place = rig.marks[place]
    return place


def as_lit(order: Read, rig: Rig, now: LightNow) -> Read:
    """The order, of all heads that are lit now if it names none; ReadingError while the light moves.

    Several heads are read as the exposure is, one alone is faced.
    """
    if order.head is not None:
        return order
    if not now.settled:
        raise ReadingError("the light is moving; read once it rests")
    lit = [name for name, level in now.levels.items() if level > 0]
    if len(lit) < 2:
        return order.model_copy(update={"head": "+".join(lit), "level": None})
    facing, receptor = order.facing or exposure_facing(rig), order.receptor or rig.meter.receptor
    return order.model_copy(
        update={"head": "+".join(lit), "level": None, "facing": facing, "receptor": receptor}
    )


def _levels(order: Read, heads: list[str], now: LightNow) -> list[float]:
    if order.level is None:
        return [_level_now(name, now) for name in heads]
    if not heads:
        raise ReadingError("a level without a head; leave it out for the light with all heads out")
    try:
        return [level_number(part) for part in str(order.level).split("+")]
    except ValueError as error:
        raise ReadingError(f"level: {error}; for several heads such as 100%+40%") from None


def _level_now(name: str, now: LightNow) -> float:
    if not now.levels[name] > 0:
        raise ReadingError(f"{name} is out now; say at which level it was read")
    if not now.settled:
        raise ReadingError("the light is moving; say at which level it was read, or read once it rests")
    return now.levels[name]


def value_of(order: Read) -> float | None:
    """The number that an order hands in, None for a unit that says it all; ReadingError for other text."""
    if order.value is None or isinstance(order.value, float | int):
        return None if order.value is None else float(order.value)
    try:
        return float(order.value.lower().removeprefix("f/").replace(",", "."))
    except ValueError:
        raise ReadingError(f'value is "{order.value[:32]}"; give the number that the meter shows') from None


def is_tape(order: Read) -> bool:
    """Return true for an order whose value is a distance, not light."""
    return order.unit.lower() in METRES_PER


def tape_of(order: Read, rig: Rig, now: LightNow) -> TapeMeasure:
    """The tape measure that an order hands in; a left out place is the subject's. Refusal in one line."""
    for name in _OF_LIGHT:
        if getattr(order, name) not in (None, False):
            raise Refusal("bad_order", f"a tape measure has no {name}: {_TAPE}", name)
    if not order.head:
        raise Refusal("bad_order", f"say which head was measured: {_TAPE}", "head")
    head, at, value = known_head(order.head, rig), place_of(order, rig, now), value_of(order)
    if value is None:
        raise Refusal("bad_order", f"give the distance: {_TAPE}", "value")
    distance_m = value * METRES_PER[order.unit.lower()]
    if not 0 < distance_m <= _LONGEST_M:
        said = f"{value:g} {order.unit.lower()}"
        right = f"more than 0, at most {_LONGEST_M:g} m is right"
        raise Refusal("out_of_range", f"the distance is {said}; {right}", "value")
    return TapeMeasure(head=head, at=at, distance_m=distance_m, note=order.note)


def event_of(order: HeadEventOrder, rig: Rig) -> HeadEvent:
    """The event that an order tells of; Refusal for a head that the rig does not have."""
    return HeadEvent(head=known_head(order.head, rig), kind=order.kind, note=order.note)


def taken_words(number: int, remark: str | None) -> str:
    """The beginning of the note on a reading that was weighed, with the doubt about it, if any."""
    return f"reading {number} taken" + (f", but it is {remark}" if remark else "")


def beside_words(reading: Reading, now: LightNow, rig: Rig) -> str:
    """A hint at heads that are on though the reading does not count them; nothing where there are none."""
    on = [
        head.name
        for head in rig.heads
        if head.name not in reading.heads and now.levels.get(head.name, 0.0) > HALF_A_CODE
    ]
    if not on:
        return ""
    are = "is on too" if len(on) == 1 else "are on too"
    return f"; {', '.join(on)} {are}: strike this reading if that light fell on the meter"


def sure_words(calibration: Calibration) -> str:
    """The end of a note that tells how well the held light is known; empty where that is not known."""
    known = calibration.next
    if known is None or known.ratio_sigma_stops is None or known.exposure_sigma_stops is None:
        return ""
    ratio, exposure = around(expanded(known.ratio_sigma_stops)), around(expanded(known.exposure_sigma_stops))
    return f"; ratio known to {ratio}, exposure to {exposure}"


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


async def keep(store: Store, piece: Piece, purpose: str, who: str) -> int:
    """Store a piece of evidence; returns its number once it outlives a kill. Raises NotStoredError."""
    body = piece.model_dump(mode="json", exclude_none=True)
    at = store.unix_clock()
    return await wait_until_stored(
        kept.save_reading(store, who, purpose, body, at),
        lambda number: kept.revert(store, _STRUCK, TOO_LATE, number),
        lambda: kept.revert(store, _STRUCK_OF, IN_DOUBT, at, who, json.dumps([purpose])),
    )


async def keep_all(store: Store, pieces: Sequence[Piece], who: str) -> list[int]:
    """Store all of this evidence, or none; returns the numbers once they outlive a kill. Raises
    NotStoredError."""
    at, purposes = store.unix_clock(), json.dumps(WEIGHED)
    return await wait_until_stored(
        kept.save_readings(store, who, pieces, at),
        lambda numbers: [kept.revert(store, _STRUCK, TOO_LATE, number) for number in numbers],
        lambda: kept.revert(store, _STRUCK_OF, IN_DOUBT, at, who, purposes),
    )


async def strike(store: Store, number: int, why: str) -> bool:
    """Let a reading no longer count; false where there is none such. Raises NotStoredError."""
    return await wait_until_stored(
        kept.strike_reading(store, number, why),
        lambda was: was and kept.revert(store, _STRUCK, None, number),
    )
