"""The reload of a changed rig file while the light is held: complete and without a jump, or not at all.

A separate process reads the file and those it names: reading involves computation, sometimes for long, and
would delay frames even from a thread; the process also bounds its time and memory. All checks come first.
Then listeners that differ are exchanged, white points turn to the new ones, and lamps that left the file fade
out, all of it gently. Next, drivers that differ are exchanged, each new one starting with the codes on its
wire, and last of all the hold. Drivers that do not differ are left alone. A failure on the way is undone, and
the previous file stays in force.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from fillside.background.worker_process import WorkerError, WorkerProcess, Workers
from fillside.daemon.listeners import OpenListeners
from fillside.doors.listener import DoorError
from fillside.hold.contract import HeldLight
from fillside.hold.memory.carry_over import leaving_heads
from fillside.rig.calibration import Calibration
from fillside.rig.scene.whites import white_fade
from fillside.rig.tables.model import Rig
from fillside.rig_file import rig_or_error
from fillside.runtime.loop import Runner
from fillside.runtime.rewiring import Rewiring
from fillside.runtime.wires import DriversInUse, drivers_of
from fillside.storage.records.metering import calibration_in_use
from fillside.storage.store import Store
from fillside.system_errors import why
from fillside_drivers.driver import Clock, Driver, DriverError, Identity
from fillside_drivers.system import SYSTEM, System

log = logging.getLogger(__name__)

READ_WITHIN_S, MOST_BYTES = 30.0, 1024 * 1024 * 1024
"""The limits of time and memory for reading a rig file and those it names."""
WHITE_STEP_S = 0.05
"""The time from one white point to the next: forty mired a second."""


class ReloadError(Exception):
    """The running daemon cannot apply the rig file; one clear line."""


@dataclass
class ReloadableParts:
    """The parts that a reload exchanges: the rig, the drivers, the listeners, and the hold in `runner`.

    `file` is the rig file of the start, where `rig` has lamps besides that left it and are going out.
    """

    rig: Rig
    runner: Runner
    store: Store
    listeners: OpenListeners
    open_drivers: list[Driver]
    identity: Identity
    system: System = SYSTEM
    workers: Workers = WorkerProcess
    file: Rig | None = None

    @property
    def clock(self) -> Clock:
        return self.system.clock

    @property
    def rewiring(self) -> Rewiring:
        return Rewiring(self.runner, self.clock)


async def reload(parts: ReloadableParts, path: Path) -> bool:
    """Apply the rig file at `path`; return false if that failed.

    A failure is explained by a line in the log and a note in the state.
    """
    if not await _taken(parts, _read_in_process(path, parts.workers)):
        return False
    parts.runner.counts.reloads += 1
    log.info("the rig file was taken anew: %s is held", parts.rig.rig.name)
    return True


async def see_out_lamps_that_left(parts: ReloadableParts) -> None:
    """Hold the rig file of the start alone, once the lamps are out that had left it at the last end."""
    rig, parts.file = parts.file, None
    if rig is None or rig is parts.rig:
        return
    if not await _taken(parts, _at_hand(rig)):
        # A failure has called them back, as it should where the file before is held again.
        await parts.rewiring.see_out(leaving_heads(parts.rig, rig))


async def _at_hand(rig: Rig) -> Rig:
    return rig


async def _taken(parts: ReloadableParts, reading: Awaitable[Rig]) -> bool:
    try:
        await _take(parts, await reading)
    except (ReloadError, DoorError, DriverError, OSError) as error:
        _report_refusal(parts, " ".join((why(error) if isinstance(error, OSError) else str(error)).split()))
        return False
    except Exception as error:
        log.exception("a reload failed")
        _report_refusal(parts, f"a fault in Fillside itself: {error!r}")
        return False
    parts.runner.tell()
    return True


async def _read_in_process(path: Path, workers: Workers = WorkerProcess) -> Rig:
    # Not niced: a person waits for it, and a busy machine would starve a process of lower priority.
    process = workers(READ_WITHIN_S, MOST_BYTES, niceness=0)
    try:
        found = await process.run(rig_or_error, str(path))
    except WorkerError as error:
        raise ReloadError(f"{path}: cannot be read: {error}") from error
    finally:
        await process.close()
    if isinstance(found, str):
        raise ReloadError(found)
    return found


def _report_refusal(parts: ReloadableParts, why: str) -> None:
    parts.runner.counts.reloads_refused += 1
    note = f"the changed rig file is not taken, the one before is held: {why}"
    log.error("%s", note)
    parts.runner.tell(note)


async def _take(parts: ReloadableParts, rig: Rig) -> None:
    runner, rewiring, before = parts.runner, parts.rewiring, parts.rig
    if rig.rig.name != before.rig.name:
        raise ReloadError(
            f'rig.name: a daemon keeps the name of its rig, "{before.rig.name}"; '
            f'start another daemon for "{rig.rig.name}"'
        )
    new = _reusing(runner.wires.in_use, drivers_of(rig, parts.clock, parts.identity, parts.system))
    in_use = await _in_use(parts)
    rewiring.trial(rig, *in_use)
    await parts.listeners.change(rig)
    turned = await _turn_whites(parts, before, rig)
    if removed := leaving_heads(before, rig):
        runner.tell(f"{' and '.join(removed)} left the rig file; fading out")
        await rewiring.see_out(removed)
    in_use = await _in_use(parts)
    try:
        await _exchange(parts, new, rewiring.trial(rig, *in_use))
    except DriverError:
        await parts.listeners.change(before)
        rewiring.call_back()
        await _turn_whites(parts, turned, before)
        # The first call notes an edited white; the second, with the same file, clears that note.
        rewiring.replace(before, *in_use)
        rewiring.replace(before, *in_use)
        raise
    rewiring.replace(rig, *in_use, new)
    parts.rig = rig


async def _in_use(parts: ReloadableParts) -> tuple[Calibration | None, str | None]:
    return await asyncio.to_thread(calibration_in_use, parts.store)


async def _turn_whites(parts: ReloadableParts, old: Rig, new: Rig) -> Rig:
    """Turn the old rig slowly to the white points of the new one; return the rig held at the end."""
    turned = old
    for turned in white_fade(old, new):
        parts.rewiring.replace(turned, *await _in_use(parts))
        await asyncio.sleep(WHITE_STEP_S)
    return turned


def _reusing(old: DriversInUse, new: DriversInUse) -> DriversInUse:
    """Return the new drivers, keeping each old one that has the same setup."""

    def chosen(name: str, built: Driver) -> Driver:
        present = old.drivers.get(name)
        same = present is not None and type(present) is type(built) and present.setup == built.setup
        return present if same and present is not None else built

    return DriversInUse({name: chosen(name, built) for name, built in new.drivers.items()}, new.heads)


def _difference(one: DriversInUse, other: DriversInUse) -> list[Driver]:
    """Return the drivers of `one` that `other` lacks."""
    return [driver for name, driver in one.drivers.items() if other.drivers.get(name) is not driver]


def _without(drivers: DriversInUse, removed: Collection[Driver]) -> DriversInUse:
    names = {driver.name for driver in removed}
    return DriversInUse(
        {name: driver for name, driver in drivers.drivers.items() if name not in names},
        {name: heads for name, heads in drivers.heads.items() if name not in names},
    )


async def _exchange(parts: ReloadableParts, new: DriversInUse, trial: HeldLight) -> None:
    """Close the drivers that differ and open the new ones; the hold keeps sending to the others."""
    old = parts.runner.wires.in_use
    removed, added = _difference(old, new), _difference(new, old)
    for driver, frame in new.frames(trial.scene, trial.codes, ()):
        if driver in added:
            driver.send(frame)
    parts.rewiring.rewire(_without(old, removed))
    for driver in removed:
        parts.open_drivers.remove(driver)
        await driver.close(stay=_has_successor(driver, added))
    opened: list[Driver] = []
    try:
        for driver in added:
            await _open_after(driver, removed)
            parts.open_drivers.append(driver)
            opened.append(driver)
    except DriverError:
        for driver in opened:
            parts.open_drivers.remove(driver)
            await driver.close(stay=True)
        await _restore(parts, old, [*removed, *opened])
        raise


async def _open_after(driver: Driver, closed: Iterable[Driver]) -> None:
    for before in closed:
        driver.go_on_from(before)
    await driver.__aenter__()


def _has_successor(removed: Driver, added: Sequence[Driver]) -> bool:
    """Return true if a new driver sends to the same receivers, which then get no last frame."""
    places = {claim for channel in removed.setup.channels for claim in channel.drive.claims()}
    return any(
        driver.kind == removed.kind
        and (not places or any(places & {*channel.drive.claims()} for channel in driver.setup.channels))
        for driver in added
    )


async def _restore(parts: ReloadableParts, old: DriversInUse, closed: Iterable[Driver]) -> None:
    """Build and open the previous drivers again after those that are closed; log those that fail, and leave
    them out."""
    restored = _reusing(
        parts.runner.wires.in_use, drivers_of(parts.rig, parts.clock, parts.identity, parts.system)
    )
    parts.rewiring.rewire(DriversInUse(restored.drivers, old.heads))
    failed: list[Driver] = []
    for driver in restored.drivers.values():
        if driver in parts.open_drivers:
            continue
        try:
            await _open_after(driver, closed)
            parts.open_drivers.append(driver)
        except DriverError as error:
            log.error("%s; its heads stay as they are until the next start", error)
            failed.append(driver)
    if failed:
        parts.rewiring.rewire(_without(parts.runner.wires.in_use, failed))
