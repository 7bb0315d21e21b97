"""The composition root: builds the daemon, and starts and stops its parts in order.

The port is bound and the data folder locked first, so that a second daemon stops before it touches a lamp.
Then the drivers open with the last codes of the previous run, and last of all the doors.
"""

from __future__ import annotations

import asyncio
import gc
import importlib
import logging
import shlex
import signal
import socket
import sys
import uuid
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from fillside.access.tokens import TokenFile, TokenFileError
from fillside.background.worker_process import WorkerProcess, Workers
from fillside.daemon.listeners import OpenListeners, prepare_listeners
from fillside.daemon.notify import Notifier
from fillside.daemon.reload import ReloadableParts
from fillside.daemon.service import Service
from fillside.doors.http.listening import Listen, ListenError, Public, Tls, bind, scheme_of, url_of
from fillside.hold.machine.hold import Hold
from fillside.hold.memory.going_out import rejoined
from fillside.metering.assembly import metering
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig
from fillside.runtime.loop import Runner
from fillside.runtime.wires import DriversInUse, drivers_of
from fillside.storage.errors import FolderUnusableError, disk_trouble
from fillside.storage.records.metering import calibration_in_use
from fillside.storage.records.saved_state import load_state, persistent_identity
from fillside.storage.store import Store
from fillside.storage.thinning import keep_within_bounds
from fillside_drivers.driver import Driver, Identity
from fillside_drivers.system import SYSTEM, System

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Settings:
    """The settings of a daemon. With `stay`, it closes the wires without a last frame, for a successor.

    `rig_file` is read again at a reload. `public` is the address of a proxy in front of the daemon.
    """

    data: Path
    tokens: Path
    listen: Listen = field(default_factory=Listen)
    stay: bool = False
    tls: Tls | None = None
    rig_file: Path | None = None
    require_token: bool = False
    public: Public | None = None

    @property
    def all_need_token(self) -> bool:
        """True if requests from this machine need a token too, as all requests do behind a proxy."""
        return self.require_token or self.public is not None


@dataclass(frozen=True)
class Running:
    """A running daemon; a reload changes its rig, drivers and listeners."""

    url: str
    parts: ReloadableParts

    @property
    def rig(self) -> Rig:
        return self.parts.rig

    @property
    def runner(self) -> Runner:
        return self.parts.runner

    @property
    def drivers(self) -> Mapping[str, Driver]:
        """The drivers in use, by name."""
        return self.parts.runner.wires.in_use.drivers

    @property
    def store(self) -> Store:
        return self.parts.store

    @property
    def doors(self) -> OpenListeners:
        return self.parts.listeners


@contextmanager
def listening(
    listen: Listen, tokens: TokenFile, all_need_token: bool = False, system: System = SYSTEM
) -> Iterator[socket.socket]:
    """Bind the listening socket. Raises ListenError if visitors would need a token and none exists."""
    with suppress(TokenFileError):  # a damaged file admits no visitor, but the light can be held
        if (all_need_token or not listen.loopback) and not tokens.lasting():
            why = "everybody is to be asked for a token"
            if not all_need_token:
                why = f"{listen.host} is reached from other machines"
            raise ListenError(
                f"{why}, and there is no token in {tokens.path}; make one first: fillside token new "
                f"--may operate --data {shlex.quote(str(tokens.path.parent))}"
            )
    with bind(listen, system) as bound:
        yield bound


def check_tokens(tokens: TokenFile, store: Store) -> None:
    """Add a note to the state if the tokens cannot be read."""
    try:
        tokens.lasting()
    except TokenFileError as error:
        store.add_note(f"nobody on another machine can be let in: {error}")


def identity_of(store: Store, rig: Rig, system: System = SYSTEM) -> Identity:
    """Return the stored network identity, the same at every start; a new one if it is damaged."""

    def make() -> str:
        return str(system.uuid())

    stored = persistent_identity(store, "cid", make)
    try:
        cid = uuid.UUID(stored)
    except ValueError:
        store.add_note("the kept name on the network cannot be read; there is a new one")
        cid = uuid.UUID(persistent_identity(store, "cid", make, anew=True))
    return Identity(cid, f"fillside {rig.rig.name}")


def hold_of(rig: Rig, store: Store, now_s: float) -> Hold:
    """Restore the hold from the stored state, or from as much of it as fits the rig.

    Lamps that left the rig file and were not out when the last run ended are in its rig too, on their way
    out. Storage has checked each part on its own; whether they fit together is known only here.
    """
    calibration, calibrated_at = calibration_in_use(store)
    without = "what was remembered cannot be held; the light begins from the rig file"
    uncalibrated = "the calibration in use cannot be held; the rig file alone is used"
    no_undo = "earlier orders cannot be taken back any more: what was kept of them cannot be held"
    stored = load_state(store)
    attempts: list[tuple[Any, Calibration | None, tuple[str, ...]]] = [
        (stored, calibration, ()),
        (None, calibration, (without,)),
        (stored, None, (uncalibrated,)),
    ]
    if stored is not None and "undoable" in stored:
        attempts.insert(1, ({**stored, "undoable": []}, calibration, (no_undo,)))
    for state, by, notes in attempts:
        try:
            at = calibrated_at if by is not None else None
            found = rejoined(rig, state)
            unix_s = store.unix_clock() - now_s
            hold = Hold(found.rig, found.stored, now_s, calibration=by, calibrated_at=at, unix_s=unix_s)
            hold.snapshot()
        except Exception:
            log.exception("the stored state cannot be restored in full")
            continue
        for note in (*notes, *found.notes):
            store.add_note(note)
        return hold
    store.add_note(without)
    store.add_note(uncalibrated)
    return Hold(rig, None, now_s, unix_s=store.unix_clock() - now_s)


@contextmanager
def open_store(folder: Path, system: System = SYSTEM) -> Iterator[Store]:
    """Open the store in `folder`, or a read-only copy of it if the folder is not writable.

    The light is held without storage rather than not at all.
    """
    try:
        store = Store.open(folder, system)
    except FolderUnusableError as error:
        log.error("%s; the light is held, but a restart will not know what was ordered meanwhile", error)
        store = Store.read_only(folder, disk_trouble(error) or str(error), system)
    with store:
        yield store


@asynccontextmanager
async def open_drivers(drivers: DriversInUse, stay: bool) -> AsyncIterator[list[Driver]]:
    """Open the drivers; at the end, close those that are open by then, without a last frame if `stay`."""
    opened: list[Driver] = []
    try:
        for driver in drivers.drivers.values():
            await driver.__aenter__()
            opened.append(driver)
        yield opened
    finally:
        for driver in reversed(opened):
            try:
                await driver.close(stay=stay)
            except Exception:
                log.exception("wire %s did not close", driver.name)


@asynccontextmanager
async def daemon(
    rig: Rig, settings: Settings, system: System = SYSTEM, workers: Workers = WorkerProcess
) -> AsyncIterator[Running]:
    """Run a daemon that holds the light of `rig` while inside."""
    tokens, clock = TokenFile(settings.tokens, system.unix_clock), system.clock
    with (
        listening(settings.listen, tokens, settings.all_need_token, system) as bound,
        prepare_listeners(rig, system) as prepared,
        open_store(settings.data, system) as store,
    ):
        check_tokens(tokens, store)
        identity = await asyncio.to_thread(identity_of, store, rig, system)
        hold = hold_of(rig, store, clock())
        held = hold.scene.rig
        drivers = drivers_of(held, clock, identity, system)
        runner = Runner(hold, drivers, store, clock)
        listeners = OpenListeners(prepared, runner, identity.cid.hex[:12])
        async with open_drivers(drivers, settings.stay) as opened, asyncio.TaskGroup() as tasks:
            light = tasks.create_task(runner.run(), name="light")
            try:
                runner.jobs.start("advice", runner.advise)
                runner.jobs.start("ageing", runner.age)
                runner.jobs.start("live page", runner.live.run)
                runner.jobs.start("thinning", partial(keep_within_bounds, store, system.unix_clock, clock))
                # The light is on its way: what the door needs takes as long to import as all before it.
                await asyncio.to_thread(importlib.import_module, "fillside.daemon.http_door")
                from fillside.daemon.http_door import http_door

                async with (
                    metering(store, runner, clock, workers),
                    http_door(runner, store, settings, tokens, bound, listeners, clock),
                    listeners,
                ):
                    parts = ReloadableParts(held, runner, store, listeners, opened, identity, system, workers)
                    parts.file = rig
                    yield Running(url_of(bound, scheme_of(settings.tls)), parts)
                    runner.live.end("stopping: the daemon ends")
            finally:
                await runner.jobs.close()
                light.cancel()
            with runner.jobs.fence("journal"):
                runner.save()


async def run_until_stopped(
    rig: Rig,
    settings: Settings,
    environ: Mapping[str, str],
    system: System = SYSTEM,
    workers: Workers = WorkerProcess,
) -> None:
    """Hold the light until SIGTERM or SIGINT; SIGHUP reloads the rig file and the certificate."""
    # The storage thread must not delay the light by Python's usual switch interval of 5 ms.
    sys.setswitchinterval(0.0005)
    stop, reload = asyncio.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    loop.add_signal_handler(signal.SIGHUP, reload.set)
    async with daemon(rig, settings, system, workers) as running:
        # Objects from startup are permanent; freezing them shortens the pauses of garbage collection.
        gc.collect()
        gc.freeze()
        service = Service(running.parts, settings, Notifier(environ))
        side_jobs = running.runner.jobs
        tasks = [
            side_jobs.start("reload", partial(service.reload_when, reload)),
            side_jobs.start("service manager", service.report_status),
        ]
        log.info("%s is held; %s", rig.rig.name, running.url)
        tasks.append(side_jobs.start("cautions", service.show_cautions))
        try:
            await stop.wait()
        finally:
            with side_jobs.fence("service manager"):
                service.stopping()
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
        log.info("stopping")
