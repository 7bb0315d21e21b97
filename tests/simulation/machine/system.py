"""The simulated machine under a daemon: it stands in for `fillside_drivers.system.System`."""

from __future__ import annotations

import socket
import sqlite3
import threading
import uuid
from collections.abc import Callable
from random import Random
from typing import Any, ParamSpec, TypeVar, cast

import aiomqtt

from fillside_drivers.system import System
from simulation.machine import threads
from simulation.machine.loop import SimulatedLoop
from simulation.machine.network import SimulatedNetwork

P = ParamSpec("P")
T = TypeVar("T")
BOOTED_S = 5_000.0
NOON_S = 1_795_000_000.0
LONGEST_WORK_S, LONGEST_SLOW_WORK_S, SLOW_WORK = 0.3, 3.0, 0.1
"""The longest time that a worker process takes for a piece of work: mostly, and in this share of them."""


class SimulatedSystem(System):
    """One machine; it outlives the daemons that are started on it.

    `database` and `mqtt_client` are given by those who simulate disk and broker.
    """

    def __init__(
        self,
        loop: SimulatedLoop,
        network: SimulatedNetwork,
        random: Random,
        database: Callable[[str], sqlite3.Connection] | None = None,
        mqtt_client: Callable[..., aiomqtt.Client] | None = None,
    ) -> None:
        self._loop, self._network, self._random = loop, network, random
        self._database, self._mqtt_client = database, mqtt_client
        self.works_apart = False
        """True while the work of a worker process is done: in place, which is elsewhere in truth."""
        self.clock_set_by_s = 0.0
        """By how much somebody has set the time of day."""

    def clock(self) -> float:
        return BOOTED_S + self._loop.now

    def unix_clock(self) -> float:
        return NOON_S + self._loop.now + self.clock_set_by_s

    def sleep(self, seconds: float) -> None:
        threads.sleep(seconds)

    def condition(self) -> threading.Condition:
        return cast(threading.Condition, threads.CooperativeCondition(self._loop))

    def thread(self, target: Callable[[], None], name: str) -> threading.Thread:
        return cast(threading.Thread, threads.CooperativeThread(self._loop, self._random, target, name))

    def uuid(self) -> uuid.UUID:
        return uuid.UUID(int=self._random.getrandbits(128), version=4)

    def socket(self, family: int, kind: int, protocol: int = 0) -> socket.socket:
        return self._network.socket(family, kind, protocol)

    def database(self, uri: str) -> sqlite3.Connection:
        return super().database(uri) if self._database is None else self._database(uri)

    def mqtt_client(self, host: str, port: int, **options: Any) -> aiomqtt.Client:
        if self._mqtt_client is None:
            raise OSError("there is no broker in this world")
        return self._mqtt_client(host, port, **options)

    def workers(self, *_: object, **__: object) -> SimulatedWorker:
        """Make a worker process; called as `WorkerProcess` is."""
        return SimulatedWorker(self, self._random)


class SimulatedWorker:
    """Stands for a `WorkerProcess`: the work is done in place, after a drawn delay."""

    def __init__(self, system: SimulatedSystem, random: Random) -> None:
        self._system, self._random = system, random

    async def begin(self) -> None:
        """Nothing takes long here."""

    async def run(self, work: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
        import asyncio

        from fillside.background.worker_process import WorkerError

        longest_s = LONGEST_SLOW_WORK_S if self._random.random() < SLOW_WORK else LONGEST_WORK_S
        await asyncio.sleep(self._random.random() * longest_s)
        self._system.works_apart = True
        try:
            return work(*args, **named)
        except Exception as error:
            raise WorkerError(f"{type(error).__name__}: {error}") from error
        finally:
            self._system.works_apart = False

    async def close(self) -> None:
        """Nothing is left behind."""
