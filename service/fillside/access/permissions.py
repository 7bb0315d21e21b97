"""The permissions of visitors, and checks of them.

`operate` is the right to order and read; `view` to read; `meter` only to hand in readings. The right that an
order takes is in `orders.registry`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

from fillside.orders.answers import Refusal
from fillside.orders.registry import OPERATORS, OrderKind, Right

Need = Literal["nothing", "once", "order", "operate", "look"]
"""The permission that a route requires: `once` is a single-use token; `operate` is that right."""
RIGHTS: tuple[Right, ...] = get_args(Right)


@dataclass(frozen=True)
class Permission:
    """An admitted visitor: a name for the journal, never a secret, and a right.

    `token` is the stored token that was used, None for a visitor who needs none.
    """

    who: str
    may: Right
    token: object = field(default=None, compare=False, repr=False)


def check_may_look(holder: Permission) -> None:
    """Raise Refusal (forbidden) for a visitor who may only hand in readings."""
    if holder.may == "meter":
        raise Refusal("forbidden", f"{holder.who} may hand in readings and nothing else")


def check_may_operate(holder: Permission) -> None:
    """Raise Refusal (forbidden) for a visitor without the right to operate."""
    if holder.may != "operate":
        raise Refusal("forbidden", f"{holder.who} may not do that; it takes a token that may operate")


def check_may_order(holder: Permission, kind: OrderKind | None) -> None:
    """Raise Refusal (forbidden) for a visitor who may not give orders of this kind.

    None stands for anything that is not an order: only a visitor with the right to operate is told why.
    """
    if holder.may in (OPERATORS if kind is None else kind.rights):
        return
    limit = "may look and not order" if holder.may == "view" else "may hand in readings and nothing else"
    raise Refusal("forbidden", f"{holder.who} {limit}")
