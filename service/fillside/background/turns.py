"""One piece of work per turn of the event loop, so that a frame that is due never waits behind a crowd.

Timers run between two turns. A hundred simultaneous queries, or five hundred orders stored in one
transaction, would all be answered in one turn, while the light stands still.
"""

from __future__ import annotations

import asyncio
from collections import deque


class Turnstile:
    """Lets waiting tasks through one by one, taking parties in rotation whatever the
    length of their queues."""

    def __init__(self) -> None:
        self._queues: dict[str, deque[asyncio.Future[None]]] = {}

    async def through(self, party: str = "") -> None:
        """Wait for a turn of the event loop that no other task gets."""
        loop = asyncio.get_running_loop()
        turn = loop.create_future()
        if not self._queues:
            loop.call_soon(self._open)
        self._queues.setdefault(party, deque()).append(turn)
        await turn

    def _open(self) -> None:
        party = next(iter(self._queues))
        queue = self._queues.pop(party)
        turn = queue.popleft()
        if queue:
            self._queues[party] = queue
        if not turn.done():
            turn.set_result(None)
        if self._queues:
            asyncio.get_running_loop().call_soon(self._open)
