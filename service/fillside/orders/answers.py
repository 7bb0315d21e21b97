"""The one shape in which every door says what became of an order.

Done is ``{"ok": true, "note": …, "state": …}``, not obeyed is ``{"error": {"code", "message", "where"}}``.
"""

from __future__ import annotations

from typing import Any

from fillside.rig.problems import one_line, quoted

STATUS_OF_CODE = {
    "bad_order": 400,
    "unauthorised": 401,
    "forbidden": 403,
    "unknown_name": 404,
    "not_now": 409,
    "out_of_range": 422,
    "too_many": 429,
}
"""The codes of a refusal, and the HTTP status that goes with each."""


class Refusal(Exception):  # noqa: N818 - a refusal is an answer, not an error of ours
    """A visitor is not obeyed; nothing has changed.

    `code` is one of `STATUS_OF_CODE`; `where` names the part of what was said that is at fault, or is empty.
    Both it and the message may quote a visitor, and stay one line whatever that said. `status` is given only
    where HTTP has a more exact word than the code's own.
    """

    def __init__(self, code: str, message: str, where: str = "", status: int | None = None) -> None:
        self.code, self.message = code, one_line(message)
        self.where = one_line(where if where.strip() or not where else quoted(where))
        super().__init__(self.message)
        self.status = STATUS_OF_CODE[code] if status is None else status

    def body(self) -> dict[str, Any]:
        return {"error": {"code": self.code, "message": self.message, "where": self.where}}
