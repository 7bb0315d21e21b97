"""The answers to an order, in the one shape that every door gives.

An order that was obeyed is ``{"ok": true, "note": …, "state": …}``, one that was not is
``{"error": {"code", "message", "where"}}``.
"""

from __future__ import annotations

from typing import Any, Literal, get_args

from fillside.rig.problems import one_line, quoted

RefusalCode = Literal[
    "bad_order", "unauthorised", "forbidden", "unknown_name", "not_now", "out_of_range", "too_many"
]
CODES: tuple[RefusalCode, ...] = get_args(RefusalCode)

Body = dict[str, Any]
INTERNAL: Body = {"error": {"code": "internal", "message": "Fillside failed here; see its log", "where": ""}}
"""The answer where Fillside itself is at fault."""


class Refusal(Exception):  # noqa: N818 - a refusal is an answer, not an error of ours
    """An order, or another request of a visitor, is not obeyed; nothing has changed.

    The one exception for this, from parsing to the hold, the metering and the doors. `code` is one of
    `CODES`; `message` is one sentence; `where` names the part of the order at fault, "" when it is
    the whole. Both may quote a visitor, and stay on one line whatever that was. `status` is an HTTP
    status more exact than the one of the code.
    """

    def __init__(self, code: RefusalCode, message: str, where: str = "", status: int | None = None) -> None:
        self.code: RefusalCode = code
        self.message = one_line(message)
        self.where = one_line(where if where.strip() or not where else quoted(where))
        super().__init__(self.message)
        self.status = status

    def body(self) -> Body:
        """Return the answer to the visitor."""
        return {"error": {"code": self.code, "message": self.message, "where": self.where}}


def done(note: str, state: Any) -> Body:
    """Return the answer to an order that was obeyed; `state` is None where the visitor gets none."""
    return {"ok": True, "note": note, "state": state}
