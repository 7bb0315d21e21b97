"""What a press of a key orders, given the table, the presses before, and what the studio is doing. Pure.

A walk goes through the programme's marks. Where it stands is what the studio says, when the subject is at one
of the marks, and otherwise where the keys went last: a tracker sees the subject about a mark, never at it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from fillside.orders.key_phrases import FIRST, NEXT, TOGGLE, KeyAction, read_phrase
from fillside.orders.light import Follow, Freeze, Move
from fillside.orders.model import LightOrder
from fillside.rig.tables.keys import Keys

State = Mapping[str, Any]

LOOK_UP_S = 1.0
"""So often a source that waits for a press looks up: a signal just before a wait does not end it."""


@dataclass(frozen=True)
class Press:
    """A key that went down, by its name; `held` where the machine repeats a key that is held."""

    key: str
    at_s: float
    held: bool = False


@dataclass(frozen=True)
class PressReader:
    """What is remembered between presses: where in the programme, and when each key was heard and counted."""

    place: int | None = None
    heard_s: Mapping[str, float] = field(default_factory=dict)
    counted_s: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """What a press comes to: an order, or a word why there is none ("" where nothing need be said).

    `place` is where in the programme the walk stands once the order is obeyed.
    """

    order: LightOrder | None = None
    why_not: str = ""
    place: int | None = None


NOTHING = Outcome()


@dataclass(frozen=True)
class KeyTable:
    """The keys' table with its programme: the marks of the rig in their order, unless it names its own."""

    keys: Keys
    programme: tuple[str, ...]
    actions: Mapping[str, KeyAction]

    @classmethod
    def of(cls, keys: Keys, marks: tuple[str, ...]) -> KeyTable:
        actions = {key: read_phrase(text) for key, text in keys.press.items()}
        return cls(keys, keys.programme or marks, actions)

    def pause_s(self, action: KeyAction) -> float:
        """How soon the same key counts again."""
        return (self.keys.step_pause_ms if action.steps else self.keys.debounce_ms) / 1000


def pressed(
    table: KeyTable, hand: PressReader, press: Press, state: Callable[[], State]
) -> tuple[PressReader, Outcome]:
    """The hand after a press, and what it comes to. `state` is asked only where the order depends on it."""
    action = table.actions.get(press.key)
    if action is None:
        return hand, Outcome(why_not="" if press.held else f"{press.key} does nothing")
    counts = not press.held and _counts(table, hand, press, action)
    hand = replace(hand, heard_s={**hand.heard_s, press.key: press.at_s})
    if not counts:
        return hand, NOTHING
    hand = replace(hand, counted_s={**hand.counted_s, press.key: press.at_s})
    if action.order is not None:
        return hand, Outcome(action.order, place=hand.place)
    if action.text == TOGGLE:
        follows = state()["mode"] == "follow"
        return hand, Outcome(Freeze(do="freeze") if follows else Follow(do="follow"), place=hand.place)
    return hand, step(table, hand.place, action.text, state()["subject_seen"]["mark"])


def _counts(table: KeyTable, hand: PressReader, press: Press, action: KeyAction) -> bool:
    """Whether this is a new press: not a bounce, not the repetition of a key that is held in a terminal."""
    never = float("-inf")
    bounced = press.at_s - hand.heard_s.get(press.key, never) < table.keys.debounce_ms / 1000
    too_soon = press.at_s - hand.counted_s.get(press.key, never) < table.pause_s(action)
    return not bounced and not too_soon


def step(table: KeyTable, place: int | None, which: str, mark: str | None) -> Outcome:
    """The next, previous or first mark of the programme, from where the walk stands."""
    programme = table.programme
    if not programme:
        return Outcome(why_not="there is no programme to walk", place=place)
    now = standing(programme, place, mark)
    if which == FIRST or now is None:
        return _to(programme, 0)
    wanted = now + (1 if which == NEXT else -1)
    if 0 <= wanted < len(programme):
        return _to(programme, wanted)
    if table.keys.around:
        return _to(programme, wanted % len(programme))
    end = "end" if wanted > 0 else "beginning"
    return Outcome(why_not=f"{programme[now]} is the {end} of the programme", place=now)


def standing(programme: tuple[str, ...], place: int | None, mark: str | None) -> int | None:
    """Where in the programme the subject stands: the occurrence of its mark nearest to the last step.

    >>> standing(("desk", "door", "desk"), 2, "desk"), standing(("desk", "door", "desk"), None, "door")
    (2, 1)
    """
    if mark is None or mark not in programme:
        return place
    near = 0 if place is None else place
    return min((i for i, name in enumerate(programme) if name == mark), key=lambda i: (abs(i - near), -i))


def _to(programme: tuple[str, ...], place: int) -> Outcome:
    return Outcome(Move(do="move", mark=programme[place]), place=place)
