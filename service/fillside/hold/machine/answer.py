"""What an order that was obeyed is answered."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Obeyed:
    """An order was obeyed; `note` says what the person should know beside that."""

    ok: bool = True
    note: str | None = None
