"""The orders that can be undone: kept while running, stored as JSON, restored at a start."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from fillside.balance.solver.rounding import Codes
from fillside.bounds import MOST_UNDO
from fillside.hold.intent.intent import Intent, Mode, TrimWord, trim_table
from fillside.hold.memory.hold_memory import (
    CodesByName,
    HoldMemory,
    StartingPoint,
    StoredAlone,
    StoredLevels,
    alone_of,
    codes_by_name,
    codes_of,
    in_whites_of,
    levels_in_whites_of,
    levels_of,
    start_was_edited,
    stored_alone,
    stored_levels,
    trims_of,
    without_edited,
)
from fillside.orders.answers import Refusal
from fillside.orders.model import LightOrder
from fillside.orders.registry import phrase_of
from fillside.rig.scene.scene import Scene, subject_place_error
from fillside.rig.tables.model import Point, Rig

OTHER_HEADS = "earlier orders cannot be taken back any more: the rig has other heads since"
UNREADABLE = "earlier orders cannot be taken back any more: what was kept of them cannot be read"


@dataclass(frozen=True)
class Undoable:
    """An order, or one of a previous run in a few words, with the earlier values of the fields of the intent
    that it changed, and the earlier untrimmed codes."""

    order: LightOrder | str
    before: Mapping[str, Any]
    untrimmed: Codes

    @cached_property
    def do(self) -> str:
        """The order in a few words, made on request, so that the light never waits for them."""
        return self.order if isinstance(self.order, str) else phrase_of(self.order)

    @property
    def word(self) -> str:
        """The word of the order."""
        return self.order.split()[0] if isinstance(self.order, str) else self.order.do


class History:
    """The latest orders that changed something, beginning with the `earlier` ones of a previous run.

    Each has a unique number, so that the storage writes only new ones.
    """

    def __init__(self, earlier: Iterable[Undoable] = ()) -> None:
        self._orders = list(earlier)[-MOST_UNDO:]
        self._numbers = list(range(1, len(self._orders) + 1))
        self._last_number = len(self._orders)

    def add(self, order: Undoable) -> None:
        """Add an order; one that changed nothing is skipped, as are those that begin
        or end the showing of heads to a meter."""
        if order.before and not self._is_for_a_meter(order):
            self._last_number += 1
            self._orders.append(order)
            self._numbers.append(self._last_number)
            del self._orders[:-MOST_UNDO]
            del self._numbers[:-MOST_UNDO]

    def _is_for_a_meter(self, order: Undoable) -> bool:
        if order.word != "all":
            return order.word == "show"
        began = next((one.word for one in reversed(self._orders) if "alone" in one.before), "")
        return began != "only"

    def take_back(self) -> Undoable:
        """Remove and return the last order. Raises Refusal if there is none."""
        if not self._orders:
            raise Refusal("not_now", "there is nothing to undo")
        self._numbers.pop()
        return self._orders.pop()

    @property
    def numbered(self) -> dict[int, Undoable]:
        """Return all orders by number, oldest first."""
        return dict(zip(self._numbers, self._orders, strict=True))

    @property
    def last(self) -> str | None:
        """The order that `take_back` would return, in a few words."""
        return self._orders[-1].do if self._orders else None


class _HistoryModel(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class Before(_HistoryModel):
    """The fields of the intent that an order changed, with their earlier values; see `Intent`."""

    place: Point | None = None
    mode: Mode | None = None
    levels: StoredLevels | None = None
    alone: StoredAlone | None = None
    balance: dict[str, Any] | None = None
    exposure_stops: float | None = None
    camera: dict[str, Any] | None = None
    trims: dict[str, TrimWord] | None = None


class StoredOrder(_HistoryModel):
    """An order in words, the fields it changed, and the earlier untrimmed codes."""

    do: str
    before: Before
    untrimmed: CodesByName

    @property
    def text(self) -> str:
        """Return JSON without the fields that the order did not change."""
        return self.model_dump_json(exclude_unset=True)


def stored_order(scene: Scene, order: Undoable) -> StoredOrder:
    """Return an order in its stored form."""
    before = dict(order.before)
    before.pop("leaving", None)
    if "kept" in before:
        levels = before.pop("kept")
        before["levels"] = None if levels is None else stored_levels(scene, levels)
    if before.get("alone") is not None:
        before["alone"] = stored_alone(scene, before["alone"])
    if "trims" in before:
        before["trims"] = trim_table(before["trims"])
    for name in ("balance", "camera"):
        if name in before:
            before[name] = dict(before[name])
    untrimmed = codes_by_name(scene, order.untrimmed)
    return StoredOrder(do=order.do, before=Before(**before), untrimmed=untrimmed)


def undoable_orders(resumed: StartingPoint, scene: Scene) -> tuple[tuple[Undoable, ...], tuple[str, ...]]:
    """Return the orders that can be undone at a start, oldest first, and notes on them.

    Orders are checked latest first: each must fit the intent after it. Values that the rig file has changed
    since are not undone; an order with nothing left is skipped.
    """
    stored = resumed.stored
    texts: Sequence[Any] = () if stored is None else stored.undoable
    found: list[Undoable] = []
    notes: tuple[str, ...] = ()
    after = resumed.intent
    for text in reversed(texts):
        assert stored is not None, "there are texts"
        order = _understood(text)
        if order is None:
            notes = (UNREADABLE,)
            break
        if {name: code.of for name, code in order.untrimmed.items()} != _full_scales(scene):
            notes = (OTHER_HEADS,)
            break
        intent = replace(after, **_before(order.before, stored, scene))
        if not _can_be(intent, scene.rig):
            notes = (UNREADABLE,)
            break
        untrimmed = codes_of(in_whites_of(scene, stored, order.untrimmed), scene)
        if changed := intent.changed_from(after):
            found.append(Undoable(order.do, changed, untrimmed))
        after = intent
    return tuple(reversed(found)), notes


def _understood(text: object) -> StoredOrder | None:
    try:
        return StoredOrder.model_validate_json(text) if isinstance(text, str) else None
    except ValidationError:
        return None


def _full_scales(scene: Scene) -> dict[str, int]:
    return dict(zip(scene.names, scene.full_scales, strict=True))


def _before(before: Before, stored: HoldMemory, scene: Scene) -> dict[str, Any]:
    """Return the earlier values of the intent by field, without those that the rig file has changed since."""
    given, rig = before.model_fields_set, scene.rig
    balance, stops = without_edited(stored, before.balance or {}, before.exposure_stops or 0.0, rig)
    found = {
        "mode": before.mode,
        "kept": before.levels and levels_of(levels_in_whites_of(scene, stored, before.levels), scene),
        "alone": before.alone
        and alone_of(StoredAlone(lit=in_whites_of(scene, stored, before.alone.lit)), scene),
        "balance": balance,
        "exposure_stops": stops,
        "camera": before.camera,
        "trims": trims_of(before.trims or {}, scene),
        "place": before.place,
    }
    given_here = {"kept" if name == "levels" else name for name in given}
    if before.place is not None and (
        start_was_edited(stored, rig) or subject_place_error(rig, before.place) is not None
    ):
        given_here.discard("place")
    return {name: value for name, value in found.items() if name in given_here}


def _can_be(intent: Intent, rig: Rig) -> bool:
    """Return true for an intent that can be in force; stored data may be anything."""
    if intent.place is None or intent.mode is None or intent.balance is None or intent.camera is None:
        return False
    if intent.mode != "follow" and intent.kept is None:
        return False
    try:
        intent.target(intent.rig(rig))
    except (ValueError, ArithmeticError):
        return False
    return True
