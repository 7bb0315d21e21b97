"""Identify a head: it goes away from its level slowly and comes back, by itself.

Theory. A head that is lit dips by a stop, one that is out comes up gently and goes out again. One that burns
so near its floor that a dip could not be seen rises instead. While that lasts no head is faster than the
dip. The table of its steps:

    none   --(order)-->                              away
    away   --(the light is there, or time is up)-->  back
    back   --(the light is there, or time is up)-->  none
    either --(an order that changes the intent)   --> none

Time is up when the way would have been done with nothing else moving: a light that follows a walk is never
quite there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from fillside.balance.solver.rounding import Codes
from fillside.hold.machine.changes import OrderContext
from fillside.orders.answers import Refusal
from fillside.orders.light import Identify
from fillside.rig.notation import tenths
from fillside.rig.problems import unknown
from fillside.rig.scene.scene import Scene

DIP_STOPS = 1.0
SPEED_STOPS_S = 1.0
SEEN_STOPS = 0.5
"""A dip of less is easily missed."""
UP_OUTPUT = 0.1
"""The output to which a head that is out comes up."""


@dataclass(frozen=True)
class Dip:
    """A head that shows itself: the code it goes away to, and by when this step is over [s]."""

    head: int
    code: int
    step: Literal["away", "back"] = "away"
    until_s: float = math.inf

    def over(self, codes: Codes) -> Codes:
        """The codes to go to, from those of the mode."""
        return codes if self.step == "back" else with_code(codes, self.head, self.code)

    def is_done(self, time_s: float, moving: bool) -> bool:
        """True once this step is over."""
        return not moving or time_s >= self.until_s

    @property
    def next(self) -> Dip | None:
        """The step after this."""
        return replace(self, step="back", until_s=math.inf) if self.step == "away" else None


def with_code(codes: Codes, head: int, code: int) -> Codes:
    """Codes with another one for a head."""
    return (*codes[:head], code, *codes[head + 1 :])


def dip_of(context: OrderContext, order: Identify) -> tuple[Dip, str]:
    """The dip that an order begins, and the note on it; Refusal where it cannot be."""
    scene = context.scene
    if order.head not in scene.names:
        raise Refusal(
            "unknown_name",
            unknown("head", order.head, scene.names),
            "head",
        )
    head = scene.index(order.head)
    if context.intent.mode == "freeze":
        raise Refusal("not_now", f"the levels are frozen; showing {order.head} would change the take")
    if scene.fixed[head]:
        raise Refusal("not_now", f"{order.head} cannot be dimmed, so it cannot show itself", "head")
    if not context.working()[head]:
        raise Refusal("not_now", f"{order.head} cannot be reached", "head")
    alone = context.intent.alone
    own = context.beneath()[head] if alone is None else dict(alone.lit).get(head, 0)
    code = away_from(scene, head, own)
    return Dip(head, code), _said(scene, head, own, code)


def away_from(scene: Scene, head: int, code: int) -> int:
    """The code a head goes to from its own, to be seen by that."""
    output = scene.dimmers.output(head, code)
    least = scene.dimmers.output(head, scene.dimmers.held_code(head, 0.0))
    if output <= 0:
        return scene.dimmers.held_code(head, max(UP_OUTPUT, least))
    down, up = math.log2(output / least), -math.log2(output)
    if down >= min(SEEN_STOPS, up):
        return scene.dimmers.held_code(head, output * 2.0 ** -min(DIP_STOPS, down))
    return scene.dimmers.held_code(head, output * 2.0 ** min(DIP_STOPS, up))


def _said(scene: Scene, head: int, own: int, code: int) -> str:
    name = scene.names[head]
    if own == 0:
        return f"{name} comes up and goes out again"
    stops = math.log2(scene.dimmers.output(head, code) / scene.dimmers.output(head, own))
    way = "dips" if stops < 0 else "rises"
    return f"{name} {way} by {tenths(stops)} and comes back"
