"""The doors beside HTTP as they are open now, and how they change places with those of another rig file."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from contextlib import AsyncExitStack
from types import TracebackType
from typing import Self

from fillside.daemon.listeners import Listeners, doors_of
from fillside.doors.listener import Clock, DoorError, DoorFigures
from fillside.rig.tables.model import Rig
from fillside.runtime.studio import Studio

log = logging.getLogger(__name__)


class OpenListeners:
    """Open while inside. `first` was made ready before any lamp was touched."""

    def __init__(self, first: Listeners, studio: Studio, identity: str, clock: Clock) -> None:
        self._doors, self._studio, self._identity, self._clock = first, studio, identity, clock
        self._open = AsyncExitStack()

    @property
    def figures(self) -> Mapping[str, DoorFigures]:
        """How each door does, by its name."""
        return self._doors.figures

    async def change(self, rig: Rig) -> None:
        """Have the doors of another rig file open.

        Raises DoorError; those of the present one are open then.
        """
        old = self._doors.rig
        if not _differ(old, rig):
            return
        await self._open.aclose()
        try:
            await self._enter(rig)
        except DoorError:
            try:
                await self._enter(old)
            except DoorError as error:
                log.error("%s; that door stays shut until the next start", error)
            raise

    async def _enter(self, rig: Rig) -> None:
        self._open = AsyncExitStack()
        self._doors = self._open.enter_context(doors_of(rig))
        await self._open.enter_async_context(self._doors.opened(self._studio, self._identity, self._clock))

    async def __aenter__(self) -> Self:
        await self._open.enter_async_context(self._doors.opened(self._studio, self._identity, self._clock))
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._open.aclose()


def _differ(old: Rig, new: Rig) -> bool:
    """Whether a door would be another: a device that describes itself tells heads, roles and marks, too."""
    describes = new.doors.mqtt is not None and new.doors.mqtt.homie
    return old.doors != new.doors or (describes and old != new)
