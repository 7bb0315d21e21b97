"""A measured figure beside its floor: the least that the same work takes on this machine in the same run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


@dataclass(frozen=True)
class Figure:
    """A measured figure.

    Attributes:
        name: for people and for comparing runs, such as "order to packet by HTTP, median".
        value, unit: measured.
        floor: of the peer measured in the same run, in the same unit; None without a peer.
        peer: name of the peer, such as "GET /health".
        allowance: the budget above the floor, or above 0 without one; None for a figure without a budget.
    """

    name: str
    value: float
    unit: str
    floor: float | None = None
    peer: str = ""
    allowance: float | None = None

    @property
    def over(self) -> float:
        """The part of the value above its floor."""
        return self.value - (self.floor or 0.0)

    @property
    def is_within(self) -> bool | None:
        """True if the figure keeps its budget; None without one.

        >>> Figure("answer", 3.0, "ms", floor=1.0, peer="echo", allowance=2.5).is_within
        True
        """
        return None if self.allowance is None else self.over <= self.allowance


class Budget(NamedTuple):
    """The allowance of a figure above its floor, which is that of `peer`.

    A bench keeps its own in `BUDGETS`, by the figure's name, and DEVELOPERS.md shows all of them.

    >>> Budget(2.5, "ms", "echo").figure("answer", 3.0, floor=1.0).is_within
    True
    """

    allowance: float
    unit: str
    peer: str

    def figure(self, name: str, value: float, floor: float) -> Figure:
        """A figure measured beside the peer."""
        return Figure(name, value, self.unit, floor, self.peer, self.allowance)
