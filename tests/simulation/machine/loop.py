"""An event loop on simulated time, with processes that can be stalled and killed between any two steps.

Time passes only when nothing is ready: then it jumps to the next timer. Which of several ready tasks goes
first is drawn from the seed; callbacks that are no steps of tasks keep their order, as they do in a real
loop. Everything that runs belongs to the process in whose context it was scheduled, or to the world around.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import heapq
import socket
import sys
import traceback
from collections import deque
from collections.abc import Callable, Coroutine, Iterator
from contextvars import Context, ContextVar, copy_context
from itertools import count
from pathlib import Path
from random import Random
from typing import Any, TypeVar
from unittest.mock import patch
from weakref import WeakSet

T = TypeVar("T")
SAME_INSTANT_S = 1e-9
LONGEST_STORY_S = 3_600.0
LONGEST_THREAD_START_S, LONGEST_THREAD_RETURN_S = 0.002, 0.002
"""How long work waits for a free thread of the pool, and its result for the loop."""


STEP_S = 1e-6
"""The time that each step takes, so that time never stands still."""
MUCH_TIME_S, MOST_STEPS = 0.1, 50_000


class DeadlockError(Exception):
    """Nothing is ready, and nothing ever will be; or something is always ready."""


class ProcessEndedError(BaseException):
    """The process of this thread was killed."""


class Process:
    """A process of the simulation. Once it is killed, nothing of it runs any more."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.alive = True
        self.stalled_until = 0.0
        self.steps = 0
        """Steps of its event loop so far: the places at which it can be killed."""
        self.dies_at: int | None = None
        """The number of steps after which it is killed; None for never."""
        self.waiting: list[asyncio.Handle] = []
        self.tasks: dict[asyncio.Task[Any], Coroutine[Any, Any, Any]] = {}
        self.signals: dict[int, tuple[Callable[..., object], tuple[Any, ...]]] = {}
        self.on_death: list[Callable[[], object]] = []
        self.failures: list[dict[str, Any]] = []
        self.futures: WeakSet[asyncio.Future[Any]] = WeakSet()

    def __repr__(self) -> str:
        return f"<{self.name}>"


PROCESS: ContextVar[Process | None] = ContextVar("process", default=None)


class NumberedTask(asyncio.Task[T]):
    """A task that hashes by its number in the story.

    Task groups, `asyncio.wait` and the product keep tasks in sets; hashed by their addresses, the order in
    which such a set is cancelled would be another in every process.
    """

    def __init__(self, number: int, coroutine: Coroutine[Any, Any, T], **more: Any) -> None:
        self._number = number
        super().__init__(coroutine, **more)

    def __hash__(self) -> int:
        return self._number


class NumberedFuture(asyncio.Future[Any]):
    """A future that hashes by its number in the story, for the same reason."""

    def __init__(self, number: int, loop: asyncio.AbstractEventLoop) -> None:
        self._number = number
        super().__init__(loop=loop)

    def __hash__(self) -> int:
        return self._number


class SimulatedLoop(asyncio.BaseEventLoop):
    """The loop of one seed. Sockets are those of `network`; others are refused."""

    def __init__(self, random: Random) -> None:
        super().__init__()
        self.now = self._since = 0.0
        self._steps_since = 0
        self._random = random
        self._numbers = count()
        self._ready: deque[asyncio.Handle] = deque()
        self.set_task_factory(self._make_task)
        self.set_exception_handler(self._note_failure)
        self.failures: list[dict[str, Any]] = []
        """What the loop was told of failures in the world itself; those of a process are with it."""

    # Time and order

    def time(self) -> float:
        return self.now

    def _run_once(self) -> None:
        self._take_due()
        if self.now > self._since + MUCH_TIME_S:
            self._since, self._steps_since = self.now, 0
        self._steps_since += len(self._ready)
        if self._steps_since > MOST_STEPS:
            raise DeadlockError(f"work without end: {self._ready[0]!r} and others are always ready")
        while not self._ready and not self._stopping:
            if not self._scheduled:
                raise DeadlockError("nothing is ready and no timer is set")
            self.now = max(self.now, self._scheduled[0]._when)
            if self.now > LONGEST_STORY_S:
                raise DeadlockError("somebody waits for what never comes")
            self._take_due()
        for _ in range(len(self._ready)):
            self._run_one()

    def _take_due(self) -> None:
        scheduled: list[asyncio.TimerHandle] = self._scheduled
        while scheduled and (scheduled[0]._cancelled or scheduled[0]._when <= self.now + SAME_INSTANT_S):
            handle = heapq.heappop(scheduled)
            handle._scheduled = False
            if not handle._cancelled:
                # A timer that is set for the rest of a rounding error would else never see it pass.
                self.now = max(self.now, handle._when)
                self._ready.append(handle)

    def _timer_handle_cancelled(self, handle: asyncio.TimerHandle) -> None:
        """Nothing is counted: cancelled timers leave when they are due."""

    def _run_one(self) -> None:
        if not self._ready:
            return
        handle = self._next()
        if handle._cancelled:
            return
        self.now += STEP_S
        process = handle._context.get(PROCESS)
        if process is None:
            handle._run()
            return
        if not process.alive:
            return
        if not getattr(_owner(handle), "is_thread", False):
            if process.stalled_until > self.now:
                process.waiting.append(handle)
                return
            if process.dies_at is not None and process.steps >= process.dies_at:
                self.kill(process)
                return
            process.steps += 1
        handle._run()

    def _next(self) -> asyncio.Handle:
        ready = self._ready
        if len(ready) == 1:
            return ready.popleft()
        first: dict[object, int] = {}
        for place, handle in enumerate(ready):
            owner = _owner(handle)
            first.setdefault(owner if isinstance(owner, asyncio.Task) else None, place)
            if len(first) == 8:
                break
        place = self._random.choice(tuple(first.values())) if len(first) > 1 else 0
        ready.rotate(-place)
        found = ready.popleft()
        ready.rotate(place)
        return found

    # Processes

    def _make_task(
        self, loop: asyncio.AbstractEventLoop, coroutine: Coroutine[Any, Any, T], **more: Any
    ) -> asyncio.Task[T]:
        task = NumberedTask(next(self._numbers), coroutine, loop=loop, **more)
        context = more.get("context")
        process = PROCESS.get() if context is None else context.get(PROCESS)
        if process is not None:
            process.tasks[task] = coroutine
            task.add_done_callback(lambda done: process.tasks.pop(done, None))
        return task

    def create_future(self) -> asyncio.Future[Any]:
        future, process = NumberedFuture(next(self._numbers), self), PROCESS.get()
        if process is not None:
            process.futures.add(future)
        return future

    def start_process(
        self, name: str, main: Callable[[], Coroutine[Any, Any, T]]
    ) -> tuple[Process, asyncio.Task[T]]:
        """Start a process that runs `main`."""
        process, context = Process(name), copy_context()
        context.run(PROCESS.set, process)
        return process, context.run(lambda: self.create_task(main(), name=name))

    def stall(self, process: Process, seconds: float) -> None:
        """Let a process's event loop stand still, as a busy machine does; its threads go on."""
        process.stalled_until = max(process.stalled_until, self.now + seconds)
        self.call_at(process.stalled_until, self._go_on, process)

    def _go_on(self, process: Process) -> None:
        if self.now + SAME_INSTANT_S >= process.stalled_until:
            self._ready.extend(process.waiting)
            process.waiting.clear()

    def kill(self, process: Process) -> None:
        """End a process between two of its steps; nothing of it runs after that, no `finally` either."""
        if not process.alive:
            return
        process.alive = False
        for tell in process.on_death:
            tell()
        process.waiting.clear()
        for future in process.futures:
            future._log_traceback = False  # nobody is left to ask for its exception
        for task, coroutine in tuple(process.tasks.items()):
            task._log_destroy_pending = False
            _close(coroutine)
        process.tasks.clear()

    def signal(self, process: Process, number: int) -> None:
        """Send a signal that the process has a handler for."""
        call, args = process.signals[number]
        context = copy_context()
        context.run(PROCESS.set, process)
        self.call_soon(call, *args, context=context)

    def add_signal_handler(self, sig: int, callback: Callable[..., object], *args: Any) -> None:
        process = PROCESS.get()
        assert process is not None, "only processes are sent signals"
        process.signals[sig] = callback, args

    def _asyncgen_finalizer_hook(self, agen: Any) -> None:
        """Leave generators alone that killed processes did not end."""

    def _note_failure(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        if isinstance(error, ProcessEndedError) or _is_of_aiohttp(error):
            return
        process = PROCESS.get()
        if "asynchronous generator is already running" in str(context.get("exception")):
            return  # what is left of a process that was killed while it ended
        (self.failures if process is None else process.failures).append(context)

    def _asyncgen_finalizer_hook(self, agen: Any) -> None:
        """Forget a generator: only those of killed processes are left unfinished."""
        self._asyncgens.discard(agen)

    # What a real loop does by threads and by the system

    def run_in_executor(self, executor: Any, func: Callable[..., T], *args: Any) -> asyncio.Future[T]:
        """Run `func` at one instant after a drawn delay, as a thread of the pool may; it ends later."""
        future: asyncio.Future[T] = self.create_future()
        draw = self._random.random

        def work() -> None:
            if future.cancelled():
                return
            try:
                result, failure = func(*args), None
            except Exception as error:
                result, failure = None, error
            self.call_later(draw() * LONGEST_THREAD_RETURN_S, settle, result, failure)

        def settle(result: Any, failure: Exception | None) -> None:
            if future.cancelled():
                return
            if failure is None:
                future.set_result(result)
            else:
                future.set_exception(failure)

        self.call_later(draw() * LONGEST_THREAD_START_S, work)
        return future

    def call_soon_threadsafe(
        self, callback: Callable[..., object], *args: Any, context: Context | None = None
    ) -> asyncio.Handle:
        return self.call_soon(callback, *args, context=context)

    def _write_to_self(self) -> None:
        """Nobody sleeps who would have to be woken."""

    async def getaddrinfo(self, host: Any, port: Any, *, type: int = 0, **more: Any) -> Any:
        return socket.getaddrinfo(host, port, type=type, flags=socket.AI_NUMERICHOST)

    def add_reader(self, fd: Any, callback: Callable[..., object], *args: Any) -> None:
        fd.watch(callback, args)

    def remove_reader(self, fd: Any) -> bool:
        return bool(fd.watch(None, ()))

    async def connect_accepted_socket(self, protocol_factory: Any, sock: Any, **more: Any) -> Any:
        return sock.accepted(protocol_factory)

    async def create_datagram_endpoint(
        self, protocol_factory: Any, *args: Any, sock: Any = None, **more: Any
    ) -> Any:
        return sock.endpoint(protocol_factory)

    async def shutdown_default_executor(self, *_: float | None) -> None:
        """There is none."""

    def _process_events(self, event_list: list[Any]) -> None:
        """There are none."""


def _is_of_aiohttp(error: BaseException | None) -> bool:
    """Return true for an assertion of aiohttp itself: it fails where a request and the end of its connection
    come together. The visitor has gone, and nothing else comes of it."""
    if not isinstance(error, AssertionError):
        return False
    found = traceback.extract_tb(error.__traceback__)
    return bool(found) and "aiohttp" in Path(found[-1].filename).parts


def _owner(handle: asyncio.Handle) -> object:
    return getattr(handle._callback, "__self__", None)


def _close(coroutine: Coroutine[Any, Any, Any]) -> None:
    """Free what a coroutine holds; everything that it could still reach is dead already."""
    with contextlib.suppress(BaseException):
        coroutine.close()


@contextlib.contextmanager
def silent_deaths() -> Iterator[None]:
    """Drop what Python says of coroutines of killed processes that would have waited in a `finally`."""
    usual = sys.unraisablehook

    def hook(found: Any) -> None:
        if "ignored GeneratorExit" not in str(found.exc_value):
            usual(found)

    sys.unraisablehook = hook
    collect, freeze = gc.collect, gc.freeze
    # Each daemon of a story freezes what is alive once it has started: here the dead ones, for good.
    with patch.object(gc, "collect"), patch.object(gc, "freeze"):
        yield
    collect()
    freeze()
    sys.unraisablehook = usual


def run(loop: SimulatedLoop, world: Coroutine[Any, Any, T]) -> T:
    """Run the world until it ends."""
    with silent_deaths():
        try:
            return loop.run_until_complete(world)
        finally:
            loop.close()
