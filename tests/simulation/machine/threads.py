"""Threads that take turns with the simulated loop: one runs at a time, until it waits.

A thread of the operating system would run whenever it likes. Here it goes on when the loop hands it the
baton, and hands it back where it waits, sleeps or ends, so that the same seed gives the same order.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import Context, copy_context
from random import Random

from simulation.machine.loop import PROCESS, ProcessEndedError, SimulatedLoop

WAKES_WITHIN_S = 0.001
"""The longest time in which the system lets a woken thread go on."""


class CooperativeThread:
    """Stands for `threading.Thread`."""

    is_thread = True

    def __init__(self, loop: SimulatedLoop, random: Random, target: Callable[[], None], name: str) -> None:
        self._loop, self._random, self._target = loop, random, target
        self.process = PROCESS.get()
        self._context = copy_context()
        self._go, self._back = _closed_gate(), _closed_gate()
        self._ended = False
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        if self.process is not None:
            self.process.on_death.append(self._bury)

    def start(self) -> None:
        self._thread.start()
        self.wake()

    def is_alive(self) -> bool:
        return not self._ended

    def join(self, timeout: float | None = None) -> None:
        """Block the caller, as that blocks its event loop; the world and this thread go on meanwhile."""
        process, loop = self.process, self._loop
        if self._ended or (process is not None and not process.alive):
            return
        until = loop.now + (timeout if timeout is not None else 1e9)
        before = process.stalled_until if process is not None else 0.0
        if process is not None:
            process.stalled_until = float("inf")
        bell = loop.call_at(until, lambda: None, context=Context())
        with _outside_of_tasks(loop):
            while not self._ended and loop.now < until and (process is None or process.alive):
                loop._run_once()
        bell.cancel()
        if process is not None:
            process.stalled_until = before
            if not process.alive:
                raise ProcessEndedError
            loop._go_on(process)

    def wake(self, after_s: float | None = None) -> None:
        """Let the thread go on after a time, by default after one that is drawn."""
        if self.process is not None and not self.process.alive:
            return
        delay_s = self._random.random() * WAKES_WITHIN_S if after_s is None else after_s
        self._context.run(self._loop.call_later, delay_s, self._resume)

    def pause(self) -> None:
        """Hand the baton back, and wait for it; called on this thread."""
        self._back.release()
        self._go.acquire()
        if self.process is not None and not self.process.alive:
            raise ProcessEndedError

    def _resume(self) -> None:
        if self._ended:
            return
        self._go.release()
        self._back.acquire()

    def _bury(self) -> None:
        if not self._ended and self._thread.is_alive():
            self._resume()

    def _run(self) -> None:
        self._go.acquire()
        _CURRENT.thread = self
        try:
            if self.process is None or self.process.alive:
                self._context.copy().run(self._target)
        except ProcessEndedError:
            pass
        finally:
            self._ended = True
            self._back.release()


@contextmanager
def _outside_of_tasks(loop: SimulatedLoop) -> Iterator[None]:
    """Let the loop run other tasks although one of them is in the middle of a step: it blocks."""
    task = asyncio.current_task(loop)
    if task is not None:
        asyncio.tasks._leave_task(loop, task)
    try:
        yield
    finally:
        if task is not None:
            asyncio.tasks._enter_task(loop, task)


def _closed_gate() -> threading.Lock:
    """Return a lock that one side waits for and the other releases: the quickest way to hand over."""
    gate = threading.Lock()
    gate.acquire()
    return gate


class _Current(threading.local):
    thread: CooperativeThread | None = None


_CURRENT = _Current()


def current_thread() -> CooperativeThread | None:
    """The cooperative thread that asks; None on the loop's own."""
    return _CURRENT.thread


def sleep(seconds: float) -> None:
    """Let simulated time pass for the calling thread."""
    me = current_thread()
    assert me is not None, "the event loop's thread must not sleep"
    me.wake(max(0.0, seconds))
    me.pause()


class CooperativeCondition:
    """Stands for `threading.Condition`. Nothing needs locking where only one runs at a time."""

    def __init__(self, loop: SimulatedLoop) -> None:
        self._loop = loop
        self._waiting: list[_Wait] = []

    def __enter__(self) -> bool:
        return True

    def __exit__(self, *_: object) -> None:
        return None

    def wait(self, timeout: float | None = None) -> bool:
        me = current_thread()
        assert me is not None, "the event loop's thread must not wait"
        waits = _Wait(me)
        self._waiting.append(waits)
        if timeout is not None:
            me._context.run(self._loop.call_later, max(0.0, timeout), waits.end)
        me.pause()
        if waits in self._waiting:
            self._waiting.remove(waits)
        return waits.notified

    def wait_for(self, predicate: Callable[[], bool], timeout: float | None = None) -> bool:
        until = None if timeout is None else self._loop.now + timeout
        while not predicate():
            left = None if until is None else until - self._loop.now
            if left is not None and left <= 0:
                return predicate()
            self.wait(left)
        return True

    def notify(self, n: int = 1) -> None:
        for waits in self._waiting[:n]:
            self._waiting.remove(waits)
            waits.notified = True
            waits.end()

    def notify_all(self) -> None:
        self.notify(len(self._waiting))


class _Wait:
    """One wait of one thread; the first of notice and timeout ends it."""

    is_thread = True

    def __init__(self, thread: CooperativeThread) -> None:
        self._thread, self._over, self.notified = thread, False, False

    def end(self) -> None:
        if not self._over:
            self._over = True
            self._thread.wake()
