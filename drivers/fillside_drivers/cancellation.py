"""Ending tasks that may lose a cancellation.

On Python 3.11 `asyncio.wait_for`, with which the MQTT client library waits, loses a cancellation that comes
together with what it waits for; a task group then waits for that task for ever.
"""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Coroutine
from typing import Any

AGAIN_S = 0.05
FAREWELL_S = 1.0
"""A task that has a connection of its own is left that long to take its leave."""


async def cancel_tasks(tasks: Collection[asyncio.Task[Any]], again_s: float = AGAIN_S) -> None:
    """Cancel tasks until they have ended, however they do; also when this is cancelled itself meanwhile."""
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
    """Do the jobs together until one of them ends, or this is cancelled; an error of one is raised."""
    tasks = [asyncio.create_task(job) for job in jobs]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        await cancel_tasks(tasks)
    errors = [error for task in tasks if not task.cancelled() and (error := task.exception()) is not None]
    if errors:
        raise errors[0]
