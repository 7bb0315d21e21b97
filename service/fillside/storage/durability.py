"""Waiting, on the event loop, for the disk to have something."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

from fillside.storage import writer
from fillside.storage.errors import NotStoredError, StorageError, disk_trouble

T = TypeVar("T")


async def stored(future: Future[T], late: Callable[[T], Any] | None = None) -> T:
    """What a job gave, once it is on the disk.

    Raises NotStoredError where it is not within `writer.WITHIN_S`. What waits to be tried once is then
    withdrawn. What the disk is at already cannot be: if it is stored after all, `late` is called with what it
    gave, on the writing thread.
    """
    waiting = asyncio.wrap_future(future)
    waiting.add_done_callback(_heard)
    done, _ = await asyncio.wait((waiting,), timeout=writer.WITHIN_S)
    if not done:
        if not future.cancel() and late is not None:
            future.add_done_callback(lambda one: one.exception() is None and late(one.result()))
        raise NotStoredError(writer.NO_ANSWER)
    try:
        return waiting.result()
    except (sqlite3.Error, OSError, StorageError) as error:
        raise NotStoredError(disk_trouble(error) or str(error)) from error


def _heard(waiting: asyncio.Future[Any]) -> None:
    """Whoever waited may have gone meanwhile, and does not ask for its error."""
    if not waiting.cancelled():
        waiting.exception()
