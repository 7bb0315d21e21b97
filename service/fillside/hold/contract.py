"""The contract of the held light: the orders and events its loop passes in, and the view everyone else gets.

The loop passes in orders and events with their times, asks for codes when `wake_in` says so, and replaces one
held light with another by `replaced`. Everyone else only reads: single facts through `LightView`, everything
through its `snapshot`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

from fillside.balance.solver.rounding import Codes
from fillside.hold.events import CalibrationAged, Event, RemedyQuestion
from fillside.hold.memory.hold_memory import HoldMemory
from fillside.hold.memory.undo import History
from fillside.hold.snapshot.state import State
from fillside.orders.model import LightOrder
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import Point, Rig


@dataclass
class OrderAnswer:
    """The answer to an order that was obeyed. `words` makes the note on request, so
    the light never waits for it."""

    words: Callable[[], str | None] = lambda: None

    @cached_property
    def note(self) -> str | None:
        """The note on the light as the order left it, for the person; None where "done" is enough."""
        return self.words()


class LightView(Protocol):
    """A read-only view of the held light."""

    @property
    def scene(self) -> Scene:
        """The rig as arrays, which convert codes to light."""

    @property
    def codes(self) -> Codes:
        """The current wire codes, one per head in the rig's order; 0 for a head without a wire."""

    @property
    def settled(self) -> bool:
        """True while the light rests at its goal."""

    @property
    def acts(self) -> bool:
        """True while the balance acts on the light."""

    @property
    def subject(self) -> Point:
        """The place of the subject [m]."""

    @property
    def only_some_heads(self) -> bool:
        """True while `only` or `show` has selected some heads."""

    @property
    def unwell(self) -> tuple[str, ...]:
        """The heads that are lost or disobey, by name in the rig's order."""

    @property
    def light_changed_at(self) -> float | None:
        """The time of the last change of a code [s, Unix time]; None before the first."""

    @property
    def effective_rig(self) -> Rig:
        """A rig that describes the whole intent except the trims."""

    @property
    def calibration(self) -> Calibration | None:
        """The calibration in use, if any."""

    @property
    def corrected(self) -> dict[str, float]:
        """The correction for each head that has drifted, in stops by name; other heads are absent."""

    @property
    def daylight(self) -> float:
        """The ambient light over that of the calibration."""

    def snapshot(self) -> State:
        """The state that every door shows, built once and reused until something changes."""

    def have_left(self, heads: Iterable[str]) -> bool:
        """True once these heads are out or cannot be controlled."""


class HeldLight(LightView, Protocol):
    """The held light as seen by its single owner. Times are seconds on any one clock."""

    @property
    def history(self) -> History:
        """The orders that can be undone."""

    def order(self, order: LightOrder, now_s: float) -> OrderAnswer:
        """Obey an order, or raise Refusal with nothing changed. The light moves with the next `tick`."""

    def events(self, events: Iterable[Event], now_s: float) -> None:
        """Apply several events together; the light reacts once, to all of them."""

    def tick(self, now_s: float) -> Codes | None:
        """Advance to now; return the codes of all heads if any changed, else None."""

    def wake_in(self, now_s: float) -> float | None:
        """Seconds until the next tick is due; None when nothing moves."""

    @property
    def grows_unsure(self) -> bool:
        """True while a report is overdue, and its head's light so less sure with every tick."""

    def replaced(
        self, rig: Rig, calibration: Calibration | None, calibrated_at: str | None, now_s: float
    ) -> HeldLight:
        """Return a hold for a changed rig file or a new calibration, continuing from this one."""

    def remember(self) -> HoldMemory:
        """The data that a restart resumes from."""

    def remedy_question(self, now_s: float) -> RemedyQuestion | None:
        """The question for `balance.remedies`, to be answered with `RemediesFound`; None if there is none."""

    def ageing(self, unix_s: float) -> Callable[[], CalibrationAged]:
        """Return what finds how sure the light is at a Unix time [s]; it may be called on any thread."""

    def still_asks(self, question: RemedyQuestion) -> bool:
        """Return true while `remedy_question` lacks this answer; may be called on any thread."""
