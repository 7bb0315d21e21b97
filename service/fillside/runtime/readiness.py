"""The readiness of the daemon, found from its parts, for `/health` and for the service manager alike."""

from __future__ import annotations

from dataclasses import dataclass

from fillside.runtime.loop import Runner
from fillside.storage.store import Store

BEATS_MISSED = 3
LEAST_S = 2.0
"""A control turn is late once three beats went by without one, and never sooner than this."""


@dataclass(frozen=True)
class Readiness:
    """`started`: control turns, every wire is open and has taken the light. `ready`: it also reaches a lamp.

    `says` has a line for each part that is not well, also for those without which the light is held.
    """

    started: bool
    ready: bool
    says: tuple[str, ...]


def readiness(runner: Runner, store: Store) -> Readiness:
    """The readiness of this moment."""
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
    # Whoever asks needs no token; why a job failed stands in the state, for those who may look.
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
