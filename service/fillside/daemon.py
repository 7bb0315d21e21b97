"""The composition root: what makes a daemon, in the order in which it comes up and goes down.

The port is taken first and the data folder locked, so that a second daemon stops before it touches a lamp.
Then the drivers open with the codes the last run ended with, and last of all the doors.
"""

from __future__ import annotations

import asyncio
import gc
import logging
import signal
import socket
import sys
import time
import uuid
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from fillside.access.door import Doorkeeper
from fillside.access.tokens import TokenFile
from fillside.doorway import Doorway
from fillside.hold.hold import Hold
from fillside.interfaces.doors import doors_of
from fillside.interfaces.http.app import House, make_app
from fillside.interfaces.http.guards import Names
from fillside.interfaces.http.invitation import Entrance
from fillside.interfaces.http.server import Listen, ListenError, bind, serving, url_of
from fillside.interfaces.http.tls import Tls, scheme_of
from fillside.loom import Loom, loom_of
from fillside.metering.side import meter_side
from fillside.metering.weighing import calibration_in_use
from fillside.metrics import Metrics
from fillside.notify import Notifier
from fillside.reload import Standing
from fillside.rig.model import Rig
from fillside.runner import Runner
from fillside.service import Service
from fillside.storage.errors import FolderUnusableError, disk_trouble
from fillside.storage.store import Store, kept_identity, remembered
from fillside_drivers.driver import Driver, Identity

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Settings:
    """How a daemon is to run. `stay` leaves the wires without a word at the end, for a successor.

    `read` gives the rig file anew when a reload is asked for; RigError when it is broken.
    """

    data: Path
    tokens: Path
    listen: Listen = field(default_factory=Listen)
    stay: bool = False
    tls: Tls | None = None
    read: Callable[[], Rig] | None = None


@dataclass(frozen=True)
class Running:
    """A daemon that is up; a reload changes rig, drivers and doors."""

    url: str
    standing: Standing

    @property
    def rig(self) -> Rig:
        return self.standing.rig

    @property
    def runner(self) -> Runner:
        return self.standing.runner

    @property
    def loom(self) -> Loom:
        return self.standing.runner.loom

    @property
    def store(self) -> Store:
        return self.standing.store

    @property
    def doors(self) -> Doorway:
        return self.standing.doorway


@contextmanager
def listening(listen: Listen, tokens: TokenFile) -> Iterator[socket.socket]:
    if not listen.loopback and not tokens.kept():
        raise ListenError(
            f"{listen.host} is reached from other machines, and there is no token in {tokens.path}; "
            "make one first: fillside token new --may operate"
        )
    with bind(listen) as bound:
        yield bound


@contextmanager
def kept(folder: Path) -> Iterator[Store]:
    """The store in `folder`; where the folder takes no data, what can be read of it: the light is worth
    more."""
    try:
        store = Store.open(folder)
    except FolderUnusableError as error:
        log.error("%s; the light is held, but a restart will not know what was ordered meanwhile", error)
        store = Store.read_only(folder, disk_trouble(error) or str(error))
    with store:
        yield store


@asynccontextmanager
async def opened(loom: Loom, stay: bool) -> AsyncIterator[list[Driver]]:
    """All drivers open; at the end each that is then says goodbye on its wire, unless `stay`."""
    begun: list[Driver] = []
    try:
        for driver in loom.drivers.values():
            await driver.__aenter__()
            begun.append(driver)
        yield begun
    finally:
        for driver in reversed(begun):
            await driver.close(stay=stay)


@asynccontextmanager
async def daemon(
    rig: Rig, settings: Settings, clock: Callable[[], float] = time.monotonic
) -> AsyncIterator[Running]:
    """A daemon that holds `rig`'s light while inside."""
    tokens = TokenFile(settings.tokens)
    with listening(settings.listen, tokens) as bound, doors_of(rig) as doors, kept(settings.data) as store:
        cid = uuid.UUID(await asyncio.to_thread(kept_identity, store, "cid", lambda: str(uuid.uuid4())))
        identity = Identity(cid, f"fillside {rig.rig.name}")
        loom = loom_of(rig, clock, identity)
        calibration, calibrated_at = calibration_in_use(store)
        hold = Hold(
            rig,
            remembered(store),
            clock(),
            calibration=calibration,
            calibrated_at=calibrated_at,
            unix_s=time.time() - clock(),
        )
        runner = Runner(hold, loom, store, clock)
        doorway = Doorway(doors, runner, cid.hex[:12], clock)
        async with opened(loom, settings.stay) as begun, asyncio.TaskGroup() as tasks:
            jobs = [
                tasks.create_task(runner.run(), name="light"),
                tasks.create_task(runner.advise(), name="advice"),
                tasks.create_task(runner.live.run(), name="live"),
            ]
            tls = settings.tls
            house = House(
                runner,
                store,
                Names.of_machine(settings.listen.host),
                Doorkeeper(tokens, clock),
                Metrics(runner, store, lambda: doorway.figures),
                Entrance(settings.listen, bound.getsockname()[1], scheme_of(tls)),
            )
            async with (
                meter_side(store, runner, clock),
                serving(make_app(house), bound, tls.context if tls else None),
                doorway,
            ):
                standing = Standing(rig, runner, store, doorway, begun, identity, clock)
                yield Running(url_of(bound, scheme_of(tls)), standing)
                runner.live.end("stopping: the daemon ends")
            for job in jobs:
                job.cancel()
            runner.save()


async def run_until_stopped(rig: Rig, settings: Settings, environ: Mapping[str, str]) -> None:
    """Hold the light until SIGTERM or SIGINT; SIGHUP takes the rig file and the certificate anew."""
    # The storage's thread may not keep the light waiting for Python's usual 5 ms.
    sys.setswitchinterval(0.0005)
    stop, again = asyncio.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    loop.add_signal_handler(signal.SIGHUP, again.set)
    async with daemon(rig, settings) as running:
        # What is there now stays for good: the collector need not stop the light to look through it again.
        gc.collect()
        gc.freeze()
        service = Service(running.standing, settings, Notifier(environ))
        jobs = [
            asyncio.create_task(service.reload_when(again), name="reload"),
            asyncio.create_task(service.tell_status(), name="status"),
        ]
        log.info("%s is held; %s", rig.rig.name, running.url)
        service.ready()
        try:
            await stop.wait()
        finally:
            service.stopping()
            for job in jobs:
                job.cancel()
            await asyncio.gather(*jobs, return_exceptions=True)
        log.info("stopping")
