"""What orders changed, so that they can be taken back, the last one first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from fillside.balance.solver.rounding import Codes
from fillside.bounds import MOST_UNDO
from fillside.orders.answers import Refusal


@dataclass(frozen=True)
class Undoable:
    """What an order changed of what is wanted, as it was before, and the untrimmed codes of then."""

    do: str
    before: Mapping[str, Any]
    untrimmed: Codes


class History:
    """The latest orders that changed something, `earlier` ones of a run before among them.

    Each has a number that no other gets, so that whoever stores them writes only what is new.
    """

    def __init__(self, earlier: Iterable[Undoable] = ()) -> None:
        self._orders = list(earlier)[-MOST_UNDO:]
        self._numbers = list(range(1, len(self._orders) + 1))
        self._last_number = len(self._orders)

    def add(self, order: Undoable) -> None:
        """One more; one that changed nothing is not kept, nor what shows heads to a meter and ends that."""
        if order.before and not self._is_for_a_meter(order):
            self._last_number += 1
            self._orders.append(order)
            self._numbers.append(self._last_number)
            del self._orders[:-MOST_UNDO]
            del self._numbers[:-MOST_UNDO]

    def _is_for_a_meter(self, order: Undoable) -> bool:
        word = order.do.split()[0]
        alone = next((one.do.split()[0] for one in reversed(self._orders) if "alone" in one.before), "")
        return word == "show" or (word == "all" and alone != "only")

    def take_back(self) -> Undoable:
        """The last one, which is then gone; Refusal if there is none."""
        if not self._orders:
            raise Refusal("not_now", "there is nothing to undo")
        self._numbers.pop()
        return self._orders.pop()

    @property
    def numbered(self) -> dict[int, Undoable]:
        """All of them by their numbers, the oldest first."""
        return dict(zip(self._numbers, self._orders, strict=True))

    @property
    def last(self) -> str | None:
        """What `take_back` would take back, in a few words."""
        return self._orders[-1].do if self._orders else None
