"""The orders given by key presses, from the table, the previous presses, and the state of the studio. Pure.

A walk steps through the programme's marks. Its position is the subject's mark if the studio knows of one in
the programme, otherwise the last mark the keys went to: a tracker sees the subject near a mark, never at it.
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
"""The longest single wait for a press: a signal that arrives just before a wait does not end it [s]."""


@dataclass(frozen=True)
class Press:
    """A key that went down, by name; `is_repeat` if the machine repeats a key held down."""

    key: str
    at_s: float
    is_repeat: bool = False


@dataclass(frozen=True)
class PressHistory:
    """The position in the programme, and the times at which each key last went down and last counted."""

    place: int | None = None
    down_s: Mapping[str, float] = field(default_factory=dict)
    counted_s: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class KeyOutcome:
    """The outcome of a press: an order, or the reason why there is none ("" if nobody needs one).

    `place` is the position in the programme once the order is obeyed.
    """

    order: LightOrder | None = None
    why_not: str = ""
    place: int | None = None


NOTHING = KeyOutcome()


@dataclass(frozen=True)
class KeyTable:
    """The table of keys with its programme: the marks of the rig in order, unless the table lists its own."""

    keys: Keys
    programme: tuple[str, ...]
    actions: Mapping[str, KeyAction]

    @classmethod
    def of(cls, keys: Keys, marks: tuple[str, ...]) -> KeyTable:
        actions = {key: read_phrase(text) for key, text in keys.press.items()}
        return cls(keys, keys.programme or marks, actions)

    def pause_s(self, action: KeyAction) -> float:
        """Return the time after which the same key counts again [s]."""
        return (self.keys.step_pause_ms if action.steps else self.keys.debounce_ms) / 1000


def read_press(
    table: KeyTable, history: PressHistory, press: Press, state: Callable[[], State]
) -> tuple[PressHistory, KeyOutcome]:
    """Return the history after a press, and its outcome. `state` is called only if
    the outcome depends on it."""
    action = table.actions.get(press.key)
    if action is None:
        return history, KeyOutcome(why_not="" if press.is_repeat else f"{press.key} does nothing")
    counts = not press.is_repeat and _counts(table, history, press, action)
    history = replace(history, down_s={**history.down_s, press.key: press.at_s})
    if not counts:
        return history, NOTHING
    history = replace(history, counted_s={**history.counted_s, press.key: press.at_s})
    if action.order is not None:
        return history, KeyOutcome(action.order, place=history.place)
    if action.text == TOGGLE:
        toggled = Freeze(do="freeze") if state()["mode"] == "follow" else Follow(do="follow")
        return history, KeyOutcome(toggled, place=history.place)
    return history, step(table, history.place, action.text, state()["subject_seen"]["mark"])


def _counts(table: KeyTable, history: PressHistory, press: Press, action: KeyAction) -> bool:
    """Return true if a press is new: neither a bounce nor a repeat of a key held down in a terminal."""
    never = float("-inf")
    bounced = press.at_s - history.down_s.get(press.key, never) < table.keys.debounce_ms / 1000
    too_soon = press.at_s - history.counted_s.get(press.key, never) < table.pause_s(action)
    return not bounced and not too_soon


def step(table: KeyTable, place: int | None, which: str, mark: str | None) -> KeyOutcome:
    """Step to the next, previous or first mark of the programme."""
    programme = table.programme
    if not programme:
        return KeyOutcome(why_not="there is no programme to walk", place=place)
    now = place_of_mark(programme, place, mark)
    if which == FIRST or now is None:
        return _to(programme, 0)
    target = now + (1 if which == NEXT else -1)
    if 0 <= target < len(programme):
        return _to(programme, target)
    if table.keys.around:
        return _to(programme, target % len(programme))
    end = "end" if target > 0 else "beginning"
    return KeyOutcome(why_not=f"{programme[now]} is the {end} of the programme", place=now)


def place_of_mark(programme: tuple[str, ...], place: int | None, mark: str | None) -> int | None:
    """Return the subject's position in the programme: the occurrence of its mark nearest to the last step.

    >>> place_of_mark(("desk", "door", "desk"), 2, "desk")
    2
    >>> place_of_mark(("desk", "door", "desk"), None, "door")
    1
    """
    if mark is None or mark not in programme:
        return place
    near = 0 if place is None else place
    return min((i for i, name in enumerate(programme) if name == mark), key=lambda i: (abs(i - near), -i))


def _to(programme: tuple[str, ...], place: int) -> KeyOutcome:
    return KeyOutcome(Move(do="move", mark=programme[place]), place=place)
