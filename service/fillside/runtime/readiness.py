"""The readiness of the daemon, determined from its parts, for `/health` and the service manager alike."""

from __future__ import annotations

from dataclasses import dataclass

from fillside.runtime.loop import Runner
from fillside.storage.store import Store

BEATS_MISSED = 3
LEAST_S = 2.0
"""The least time after which a control turn counts as late; it is late after three missed beats."""


@dataclass(frozen=True)
class Readiness:
    """`started`: the loop turns, and every wire is open and has taken the light.
    `ready`: the light also reaches a lamp.

    `says` has a line for each part that is not well, including those that the light does not depend on.
    """

    started: bool
    ready: bool
    says: tuple[str, ...]


def readiness(runner: Runner, store: Store) -> Readiness:
    """Return the readiness at this moment."""
    faults = _loop_faults(runner) + _wires_not_open(runner)
    if not runner.wires.have_taken(runner.light.codes):
        faults.append("the light is not with all wires yet")
    drivers = runner.wires.in_use.drivers
    lost = [name for name, driver in drivers.items() if driver.health.state == "lost"]
    says = [
        f"wire {name} is {driver.health.state}: {driver.health.note or 'no more is known'}"
        for name, driver in drivers.items()
        if driver.health.state != "ok"
    ]
    if drivers and len(lost) == len(drivers):
        says.insert(0, "no wire reaches a lamp")
    if store.trouble is not None:
        says.append(f"storage: {store.trouble}")
    # A request needs no token, so the reasons for failed jobs are left to the state, which needs one.
    says += [*store.notes, *(f"{job['name']} fails; see the state" for job in runner.jobs.state())]
    reaches = not drivers or len(lost) < len(drivers)
    return Readiness(not faults, not faults and reaches, (*faults, *says))


def _loop_faults(runner: Runner) -> list[str]:
    ago_s = runner.turned_ago_s
    if ago_s <= max(LEAST_S, BEATS_MISSED * runner.beat_s):
        return []
    return [f"control has not turned for {ago_s:.0f} s; the light stays as it was"]


def _wires_not_open(runner: Runner) -> list[str]:
    needed = {head.drive.driver for head in runner.light.scene.rig.heads if head.drive is not None}
    drivers = runner.wires.in_use.drivers
    return [
        f"wire {name} is not open"
        for name in sorted(needed)
        if name not in drivers or not drivers[name].is_open
    ]
