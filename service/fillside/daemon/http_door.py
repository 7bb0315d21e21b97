"""The HTTP door put together: all that needs its library, which is imported once the wires are open."""

from __future__ import annotations

import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

from fillside.access.authentication import Authenticator
from fillside.access.tokens import TokenFile
from fillside.daemon.listeners import OpenListeners
from fillside.doors.http.app import AppContext, make_app
from fillside.doors.http.connections import Gate, serving
from fillside.doors.http.invitation import Entrance
from fillside.doors.http.listening import scheme_of
from fillside.doors.http.metrics import Metrics
from fillside.doors.http.request_checks import HostNames
from fillside.runtime.loop import Runner
from fillside.storage.store import Store
from fillside_drivers.driver import Clock

if TYPE_CHECKING:
    from fillside.daemon.composition import Settings


@asynccontextmanager
async def http_door(
    runner: Runner,
    store: Store,
    settings: Settings,
    tokens: TokenFile,
    bound: socket.socket,
    listeners: OpenListeners,
    clock: Clock,
) -> AsyncIterator[None]:
    """Answer requests at `bound` while inside."""
    tls, gate = settings.tls, Gate(clock)
    runner.jobs.start("http gate", gate.run)
    context = AppContext(
        runner,
        store,
        HostNames.of_machine(settings.listen.host, settings.public),
        Authenticator(tokens, clock),
        Metrics(runner, store, lambda: listeners.figures, gate.table),
        Entrance(settings.listen, bound.getsockname()[1], scheme_of(tls), settings.public),
        gate,
        settings.all_need_token,
    )
    async with serving(make_app(context), bound, gate, tls.context if tls else None):
        yield
