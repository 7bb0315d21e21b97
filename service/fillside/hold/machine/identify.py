"""Identification of a head: its light slowly leaves its level and returns by itself.

Theory. A lit head dips by a stop; a head that is out comes up gently and goes out again. A head so near its
floor that a dip could not be seen rises instead. Meanwhile no head fades faster than the dip. The steps are:

    none   --(order)-->                              away
    away   --(the light is there, or time is up)-->  back
    back   --(the light is there, or time is up)-->  none
    either --(an order that changes the intent)   --> none

A step times out when the fade would have ended with nothing else moving, since light that follows a walk
never quite arrives.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from fillside.balance.solver.rounding import Codes
from fillside.hold.machine.changes import OrderContext
from fillside.orders.answers import Refusal
from fillside.orders.light import Identify
from fillside.rig.notation import stop_size
from fillside.rig.problems import unknown_name
from fillside.rig.scene.scene import Scene

DIP_STOPS = 1.0
SPEED_STOPS_S = 1.0
SEEN_STOPS = 0.5
"""A smaller dip is easily missed."""
UP_OUTPUT = 0.1
"""The output to which a head that is out comes up."""


@dataclass(frozen=True)
class Dip:
    """A head that identifies itself: the code it goes to, and the time at which this
    step ends at the latest [s]."""

    head: int
    code: int
    step: Literal["away", "back"] = "away"
    until_s: float = math.inf

    def over(self, codes: Codes) -> Codes:
        """Return the goal codes, from those of the mode."""
        return codes if self.step == "back" else with_code(codes, self.head, self.code)

    def is_done(self, time_s: float, moving: bool) -> bool:
        """Return true once this step is over."""
        return not moving or time_s >= self.until_s

    @property
    def next(self) -> Dip | None:
        """Return the next step; None after the last."""
        return replace(self, step="back", until_s=math.inf) if self.step == "away" else None


def with_code(codes: Codes, head: int, code: int) -> Codes:
    """Return codes with one head's code replaced."""
    return (*codes[:head], code, *codes[head + 1 :])


def dip_of(context: OrderContext, order: Identify) -> tuple[Dip, str]:
    """Return the dip that an order begins, and its note. Raises Refusal if the head cannot dip."""
    scene = context.scene
    if order.head not in scene.names:
        raise Refusal(
            "unknown_name",
            unknown_name("head", order.head, scene.names),
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
    """Return the code a head goes to so that the change is seen."""
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
    return f"{name} {way} by {stop_size(stops)} and comes back"
