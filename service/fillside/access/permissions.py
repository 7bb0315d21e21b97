"""What a visitor may do.

`operate` may order and look; `view` may look; `meter` may hand in readings and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

from fillside.orders.answers import Refusal
from fillside.orders.registry import OPERATORS, OrderKind, Right

May = Right
Need = Literal["nothing", "once", "order", "operate", "look"]
"""What a route asks of its visitor: `once` is a token that is good once; `operate` is that right."""
MAY: tuple[May, ...] = get_args(May)


@dataclass(frozen=True)
class Permission:
    """One who was let in: a name for the journal, never a secret.

    `line` is that of its token in the file, None for who needs none.
    """

    who: str
    may: May
    line: object = field(default=None, compare=False, repr=False)


def check_may_look(holder: Permission) -> None:
    """Raise Refusal (forbidden) for one who may only hand in readings."""
    if holder.may == "meter":
        raise Refusal("forbidden", f"{holder.who} may hand in readings and nothing else")


def check_may_operate(holder: Permission) -> None:
    """Raise Refusal (forbidden) unless this pass is good for everything."""
    if holder.may != "operate":
        raise Refusal("forbidden", f"{holder.who} may not do that; it takes a token that may operate")


def check_may_order(holder: Permission, kind: OrderKind | None) -> None:
    """Raise Refusal (forbidden) unless this pass is good for this kind of order.

    None is what is no order: whoever may order anything is told so, and nobody else.
    """
    if holder.may in (OPERATORS if kind is None else kind.rights):
        return
    told = "may look and not order" if holder.may == "view" else "may hand in readings and nothing else"
    raise Refusal("forbidden", f"{holder.who} {told}")
