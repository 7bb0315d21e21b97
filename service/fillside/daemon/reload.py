"""Taking a changed rig file while the light is held: all of it and without a jump, or nothing of it.

The file and all that it names are read in a process of its own: reading is computation, some of it long,
that would keep frames waiting on a thread as on the loop, and its cost in time and memory is bounded there.
Everything that can be judged beforehand is. Then doors that differ change places with the new ones, whites
turn to the new ones and lamps that the file has no more go out, all of it gently. Wires that differ change
places next, each new one beginning with the codes that are on it, and last of all the hold. Wires that do not
differ never notice. Whatever goes wrong on the way is undone, and the file before goes on being held.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from fillside.background.worker_process import WorkerError, WorkerProcess
from fillside.daemon.open_listeners import OpenListeners
from fillside.doors.listener import DoorError
from fillside.hold.contract import HeldLight
from fillside.hold.memory.carry_over import leaving_heads
from fillside.metering.calibrations import calibration_in_use
from fillside.rig.calibration import Calibration
from fillside.rig.file.load import rig_or_why_not
from fillside.rig.scene.white_fade import white_way
from fillside.rig.tables.model import Rig
from fillside.runtime.loop import Runner
from fillside.runtime.rewiring import Rewiring
from fillside.runtime.wires import DriversInUse, drivers_of
from fillside.storage.store import Store
from fillside.system_errors import why
from fillside_drivers.driver import Clock, Driver, DriverError, Identity

log = logging.getLogger(__name__)

READ_WITHIN_S, MOST_BYTES = 30.0, 1024 * 1024 * 1024
"""What reading a rig file and all that it names may take of time and memory."""
WHITE_STEP_S = 0.05
"""From one white to the next: forty mired a second."""


class NotTakenError(Exception):
    """The file is right, but not for a daemon that runs; one clear line."""


@dataclass
class ReloadableParts:
    """What a reload exchanges: the rig, the drivers that are `open`, the doors, and the hold in `runner`."""

    rig: Rig
    runner: Runner
    store: Store
    doorway: OpenListeners
    open: list[Driver]
    identity: Identity
    clock: Clock

    @property
    def rewiring(self) -> Rewiring:
        return Rewiring(self.runner, self.clock)


async def reload(here: ReloadableParts, path: Path) -> bool:
    """Take the rig file at `path` as it is now; whether it was taken.

    If not, one line in the log and among the state's notes says why.
    """
    try:
        await _take(here, await _read_apart(path))
    except (NotTakenError, DoorError, DriverError, OSError) as error:
        _say_not_taken(here, " ".join((why(error) if isinstance(error, OSError) else str(error)).split()))
        return False
    except Exception as error:
        log.exception("a reload failed")
        _say_not_taken(here, f"a fault in Fillside itself: {error!r}")
        return False
    here.runner.counts.reloads += 1
    here.runner.tell()
    log.info("the rig file was taken anew: %s is held", here.rig.rig.name)
    return True


async def _read_apart(path: Path) -> Rig:
    # No nicer than we are: somebody waits for it, and on a busy machine it would not get its turn.
    apart = WorkerProcess(READ_WITHIN_S, MOST_BYTES, niceness=0)
    try:
        found = await apart.run(rig_or_why_not, str(path))
    except WorkerError as error:
        raise NotTakenError(f"{path}: cannot be read: {error}") from error
    finally:
        await apart.close()
    if isinstance(found, str):
        raise NotTakenError(found)
    return found


def _say_not_taken(here: ReloadableParts, why: str) -> None:
    here.runner.counts.reloads_refused += 1
    note = f"the changed rig file is not taken, the one before is held: {why}"
    log.error("%s", note)
    here.runner.tell(note)


async def _take(here: ReloadableParts, rig: Rig) -> None:
    runner, rewiring, before = here.runner, here.rewiring, here.rig
    if rig.rig.name != before.rig.name:
        raise NotTakenError(
            f'rig.name: a daemon keeps the name of its rig, "{before.rig.name}"; '
            f'start another daemon for "{rig.rig.name}"'
        )
    new = _with_kept(runner.wires.in_use, drivers_of(rig, here.clock, here.identity))
    now = await _in_use(here)
    rewiring.trial(rig, *now)
    await here.doorway.change(rig)
    turned = await _turn_whites(here, before, rig)
    if gone := leaving_heads(before, rig):
        runner.tell(f"{' and '.join(gone)} left the rig file; fading out")
        await rewiring.see_out(gone)
    now = await _in_use(here)
    try:
        await _exchange(here, new, rewiring.trial(rig, *now))
    except DriverError:
        await here.doorway.change(before)
        rewiring.call_back()
        await _turn_whites(here, turned, before)
        # The first says that the white was edited; beside the same file the second says nothing.
        rewiring.replace(before, *now)
        rewiring.replace(before, *now)
        raise
    rewiring.replace(rig, *now, new)
    here.rig = rig


async def _in_use(here: ReloadableParts) -> tuple[Calibration | None, str | None]:
    return await asyncio.to_thread(calibration_in_use, here.store)


async def _turn_whites(here: ReloadableParts, old: Rig, new: Rig) -> Rig:
    """Hold the old rig at the whites of the new one, slowly; the rig that is held then."""
    held = old
    for held in white_way(old, new):
        here.rewiring.replace(held, *await _in_use(here))
        await asyncio.sleep(WHITE_STEP_S)
    return held


def _with_kept(old: DriversInUse, new: DriversInUse) -> DriversInUse:
    """The new drivers with those drivers of the old ones that are built from the same."""

    def kept(name: str, built: Driver) -> Driver:
        present = old.drivers.get(name)
        same = present is not None and type(present) is type(built) and present.setup == built.setup
        return present if same and present is not None else built

    return DriversInUse({name: kept(name, built) for name, built in new.drivers.items()}, new.heads)


def _apart(one: DriversInUse, other: DriversInUse) -> list[Driver]:
    """The drivers of one that the other has not."""
    return [driver for name, driver in one.drivers.items() if other.drivers.get(name) is not driver]


def _without(drivers: DriversInUse, gone: Collection[Driver]) -> DriversInUse:
    names = {driver.name for driver in gone}
    return DriversInUse(
        {name: driver for name, driver in drivers.drivers.items() if name not in names},
        {name: heads for name, heads in drivers.heads.items() if name not in names},
    )


async def _exchange(here: ReloadableParts, new: DriversInUse, trial: HeldLight) -> None:
    """Close the wires that differ and open the new ones; the hold sends to those that stay meanwhile."""
    old = here.runner.wires.in_use
    gone, fresh = _apart(old, new), _apart(new, old)
    for driver, frame in new.frames(trial.scene, trial.codes, ()):
        if driver in fresh:
            driver.send(frame)
    here.rewiring.rewire(_without(old, gone))
    for driver in gone:
        here.open.remove(driver)
        await driver.close(stay=_goes_on(driver, fresh))
    opened: list[Driver] = []
    try:
        for driver in fresh:
            await driver.__aenter__()
            here.open.append(driver)
            opened.append(driver)
    except DriverError:
        for driver in opened:
            here.open.remove(driver)
            await driver.close(stay=True)
        await _back(here, old)
        raise


def _goes_on(gone: Driver, fresh: Sequence[Driver]) -> bool:
    """Whether one of the new drivers sends where this one did, so that its receivers are told of no end."""
    places = {claim for channel in gone.setup.channels for claim in channel.drive.claims()}
    return any(
        driver.kind == gone.kind
        and (not places or any(places & {*channel.drive.claims()} for channel in driver.setup.channels))
        for driver in fresh
    )


async def _back(here: ReloadableParts, old: DriversInUse) -> None:
    """The wires of before, built and opened again; one that cannot be is left out, and that is said."""
    again = _with_kept(here.runner.wires.in_use, drivers_of(here.rig, here.clock, here.identity))
    here.rewiring.rewire(DriversInUse(again.drivers, old.heads))
    failed: list[Driver] = []
    for driver in again.drivers.values():
        if driver in here.open:
            continue
        try:
            await driver.__aenter__()
            here.open.append(driver)
        except DriverError as error:
            log.error("%s; its heads stay as they are until the next start", error)
            failed.append(driver)
    if failed:
        here.rewiring.rewire(_without(here.runner.wires.in_use, failed))
