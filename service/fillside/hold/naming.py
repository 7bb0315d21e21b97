"""An order in a few words, for saying which one it was."""

from __future__ import annotations

from fillside.hold.orders import Order

_PLAIN = ("role", "by", "to", "mark", "head", "level", "ratio")
"""What an order's word makes plain without the name."""


def named(order: Order) -> str:
    """An order as it is shown beside "undo" and as the last one.

    >>> from fillside.hold.orders import parse_order
    >>> named(parse_order({"do": "trim", "role": "fill", "by": -1}))
    'trim fill -1'
    """
    said = order.model_dump(exclude={"do"}, exclude_none=True)
    return " ".join([order.do, *(_shown(v) if k in _PLAIN else f"{k} {_shown(v)}" for k, v in said.items())])


def _shown(value: object) -> str:
    if isinstance(value, float):
        return f"{round(value, 3):g}"
    if isinstance(value, tuple):
        return " ".join(_shown(part) for part in value)
    if isinstance(value, dict):
        return " ".join(f"{name} {_shown(part)}" for name, part in value.items())
    return str(value)
