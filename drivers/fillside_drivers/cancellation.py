"""Cancels tasks that may lose a cancellation.

On Python 3.11 `asyncio.wait_for`, which the MQTT client library uses, loses a cancellation that coincides
with the awaited result; a task group would then wait for that task forever.
"""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Coroutine
from typing import Any

AGAIN_S = 0.05
FAREWELL_S = 1.0
"""Time for a task with a connection of its own to disconnect cleanly."""


async def cancel_tasks(tasks: Collection[asyncio.Task[Any]], again_s: float = AGAIN_S) -> None:
    """Cancel tasks again and again until all have ended, even if this call is itself cancelled meanwhile."""
    waiting, interrupted = set(tasks), False
    while waiting:
        for task in waiting:
            task.cancel()
        try:
            _, waiting = await asyncio.wait(waiting, timeout=again_s)
        except asyncio.CancelledError:
            interrupted = True
    if interrupted:
        raise asyncio.CancelledError


async def run_until_first(*jobs: Coroutine[Any, Any, None]) -> None:
    """Run jobs concurrently until one ends or this call is cancelled; raise the first error."""
    tasks = [asyncio.create_task(job) for job in jobs]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        await cancel_tasks(tasks)
    errors = [error for task in tasks if not task.cancelled() and (error := task.exception()) is not None]
    if errors:
        raise errors[0]
