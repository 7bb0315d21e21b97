"""The orders that can be taken back, as data that is JSON-able, and how a start finds them again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from fillside.hold.intent.intent import Intent, Mode
from fillside.hold.machine.history import Undoable
from fillside.hold.memory.remembered import (
    AloneKept,
    CodesByName,
    LevelsKept,
    Remembered,
    Resumed,
    TrimSaid,
    alone_kept,
    alone_of,
    codes_by_name,
    codes_of,
    in_whites_of,
    levels_in_whites_of,
    levels_kept,
    levels_of,
    start_was_edited,
    trims_of,
    trims_said,
    without_edited,
)
from fillside.rig.scene.scene import Scene, subject_place_error
from fillside.rig.tables.model import Point, Rig

OTHER_HEADS = "earlier orders cannot be taken back any more: the rig has other heads since"
UNREADABLE = "earlier orders cannot be taken back any more: what was kept of them cannot be read"


class _HistoryModel(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Before(_HistoryModel):
    """What was wanted before an order, of that alone which it changed; see `Intent`."""

    place: Point | None = None
    mode: Mode | None = None
    levels: LevelsKept | None = None
    alone: AloneKept | None = None
    balance: dict[str, Any] | None = None
    exposure_stops: float | None = None
    camera: dict[str, Any] | None = None
    trims: dict[str, TrimSaid] | None = None


class OrderKept(_HistoryModel):
    """An order in words, what was wanted before it, and the untrimmed codes of then."""

    do: str
    before: Before
    untrimmed: CodesByName

    @property
    def text(self) -> str:
        """As JSON, without what the order did not change."""
        return self.model_dump_json(exclude_unset=True)


def order_kept(scene: Scene, order: Undoable) -> OrderKept:
    """What to store of an order."""
    before = dict(order.before)
    before.pop("leaving", None)
    if "kept" in before:
        levels = before.pop("kept")
        before["levels"] = None if levels is None else levels_kept(scene, levels)
    if before.get("alone") is not None:
        before["alone"] = alone_kept(scene, before["alone"])
    if "trims" in before:
        before["trims"] = trims_said(before["trims"])
    for name in ("balance", "camera"):
        if name in before:
            before[name] = dict(before[name])
    untrimmed = codes_by_name(scene, order.untrimmed)
    return OrderKept(do=order.do, before=Before(**before), untrimmed=untrimmed)


def orders_again(resumed: Resumed, scene: Scene) -> tuple[tuple[Undoable, ...], tuple[str, ...]]:
    """The orders that can be taken back from where a start begins, the oldest first, and what to say.

    The latest is looked at first: each has to fit what is wanted after it. What the rig file says anew since
    is not taken back, and an order of which nothing is left then is passed over.
    """
    stored = resumed.stored
    texts: Sequence[Any] = () if stored is None else stored.undoable
    found: list[Undoable] = []
    notes: tuple[str, ...] = ()
    after = resumed.wanted
    for text in reversed(texts):
        assert stored is not None, "there are texts"
        order = _understood(text)
        if order is None:
            notes = (UNREADABLE,)
            break
        if {name: code.of for name, code in order.untrimmed.items()} != _full_scales(scene):
            notes = (OTHER_HEADS,)
            break
        wanted = replace(after, **_before(order.before, stored, scene))
        if not _can_be(wanted, scene.rig):
            notes = (UNREADABLE,)
            break
        untrimmed = codes_of(in_whites_of(scene, stored, order.untrimmed), scene)
        if changed := wanted.changed_from(after):
            found.append(Undoable(order.do, changed, untrimmed))
        after = wanted
    return tuple(reversed(found)), notes


def _understood(text: object) -> OrderKept | None:
    try:
        return OrderKept.model_validate_json(text) if isinstance(text, str) else None
    except ValidationError:
        return None


def _full_scales(scene: Scene) -> dict[str, int]:
    return dict(zip(scene.names, scene.full_scales, strict=True))


def _before(before: Before, stored: Remembered, scene: Scene) -> dict[str, Any]:
    """What was wanted before an order, by the fields of `Intent`, without what the rig file says anew."""
    given, rig = before.model_fields_set, scene.rig
    balance, stops = without_edited(stored, before.balance or {}, before.exposure_stops or 0.0, rig)
    found = {
        "mode": before.mode,
        "kept": before.levels and levels_of(levels_in_whites_of(scene, stored, before.levels), scene),
        "alone": before.alone
        and alone_of(AloneKept(lit=in_whites_of(scene, stored, before.alone.lit)), scene),
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


def _can_be(wanted: Intent, rig: Rig) -> bool:
    """Whether this can be wanted: what is stored may be anything."""
    if wanted.place is None or wanted.mode is None or wanted.balance is None or wanted.camera is None:
        return False
    if wanted.mode != "follow" and wanted.kept is None:
        return False
    try:
        wanted.wish(rig)
    except (ValueError, ArithmeticError):
        return False
    return True
