"""The answers to orders, in one shape for all doors.

An order that was obeyed is answered ``{"ok": true, "note": …, "state": …}``, any other ``{"error": {"code",
"message", "where"}}``.
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
"""The answer to an internal error of Fillside."""


class Refusal(Exception):  # noqa: N818 - a refusal is an answer, not an error of ours
    """A refusal of an order or another request; nothing has changed.

    This is the one exception for refusals, from parsing to the hold, the metering and the doors. `code` is
    one of `CODES`; `message` is one sentence; `where` names the part of the order at fault, "" for the whole.
    Both may quote a visitor, yet always stay on one line. `status` is an HTTP status more exact than that of
    the code, if there is one.
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
    """Return the answer to an order that was obeyed; `state` is None if the visitor may not see it
    or does not need it, as with a position report."""
    return {"ok": True, "note": note, "state": state}
