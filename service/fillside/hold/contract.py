"""The contract of the held light: the orders and events of its loop, and the view of everybody else.

The loop hands in orders and events with their times, asks for the codes when `wake_in` says so, and exchanges
one held light for another by `replaced`. Everybody else looks: at single facts through `LightView`, at
everything through its `snapshot`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

from fillside.balance.solver.rounding import Codes
from fillside.hold.events import Event, RemedyQuestion
from fillside.hold.memory.hold_memory import HoldMemory
from fillside.hold.memory.undo import History
from fillside.hold.snapshot.state import State
from fillside.orders.model import LightOrder
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import Point, Rig


@dataclass
class OrderAnswer:
    """An order was obeyed. `words` gives the note once it is asked for: the light does not wait for it."""

    words: Callable[[], str | None] = lambda: None

    @cached_property
    def note(self) -> str | None:
        """The note for the person, on the light as the order left it; None where "done" says all."""
        return self.words()


class LightView(Protocol):
    """The held light, to look at."""

    @property
    def scene(self) -> Scene:
        """The rig as numbers, by which codes are light."""

    @property
    def codes(self) -> Codes:
        """The wire codes of now, one a head in the rig's order, 0 for a head without a wire."""

    @property
    def settled(self) -> bool:
        """True while the light rests where it is to be."""

    @property
    def acts(self) -> bool:
        """True while the balance acts on the light."""

    @property
    def subject(self) -> Point:
        """The place of the subject [m]."""

    @property
    def only_some_heads(self) -> bool:
        """True while some heads are on alone."""

    @property
    def unwell(self) -> tuple[str, ...]:
        """The heads that are lost or disobey, by name in the rig's order."""

    @property
    def light_changed_at(self) -> float | None:
        """The time of the last change of a code [s, Unix time]; None before the first."""

    @property
    def effective_rig(self) -> Rig:
        """A rig that states the whole intent by itself, but for the trims."""

    @property
    def calibration(self) -> Calibration | None:
        """The calibration that the light is held by, if any."""

    @property
    def corrected(self) -> dict[str, float]:
        """By how many stops heads that have drifted are asked for more; of the others nothing."""

    def snapshot(self) -> State:
        """The state that every door shows, built once until anything changes."""

    def have_left(self, heads: Iterable[str]) -> bool:
        """True once these heads are out, or cannot be led."""


class HeldLight(LightView, Protocol):
    """The held light, as its one owner has it. Times are seconds of any one clock."""

    @property
    def history(self) -> History:
        """The orders that can be taken back."""

    def order(self, order: LightOrder, now_s: float) -> OrderAnswer:
        """Obey an order, or raise Refusal with nothing changed. The light moves with the next `tick`."""

    def events(self, events: Iterable[Event], now_s: float) -> None:
        """Take in several things at once; the light goes on from all of them together."""

    def tick(self, now_s: float) -> Codes | None:
        """Go on to now; the codes of all heads if any changed, else None."""

    def wake_in(self, now_s: float) -> float | None:
        """Seconds until the next tick is due; None when nothing moves."""

    def replaced(
        self, rig: Rig, calibration: Calibration | None, calibrated_at: str | None, now_s: float
    ) -> HeldLight:
        """The held light of a changed rig file or a new calibration, going on from this one's."""

    def remember(self) -> HoldMemory:
        """The memory that a restart resumes from."""

    def remedy_question(self) -> RemedyQuestion | None:
        """The question to put to `balance.remedies`, answered by `RemediesFound`; None while there is
        none."""
