"""What is counted of orders and frames, for `/metrics`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field


@dataclass
class Counts:
    """Counts of one daemon; who measures times puts its own call in place, in seconds."""

    orders: int = 0
    refused_by_code: Counter[str] = field(default_factory=Counter)
    reloads: int = 0
    reloads_refused: int = 0
    order_took: Callable[[float], object] = lambda seconds: None
    frame_late_by: Callable[[float], object] = lambda seconds: None
