"""Side jobs beside the light: a failure is contained, counted, retried and shown in the state.

Two kinds of work are fenced. A task runs until the daemon ends; a task that fails is restarted after a pause
that grows up to a limit. A step is a few lines within other work, such as writing the journal after an order;
its exceptions are swallowed. Cancellation passes through both.

A job is in trouble from its first failure until it has run for `WELL_AFTER_S` without another.
"""

from __future__ import annotations

import asyncio
import logging
import random
import time
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from fillside_drivers.cancellation import cancel_tasks
from fillside_drivers.retry import Backoff

log = logging.getLogger(__name__)

WELL_AFTER_S = 10.0
LONGEST_SAYING = 200

Clock = Callable[[], float]
Job = Callable[[], Awaitable[object]]


@dataclass
class _Trouble:
    """`well_at_s` is the time at which the trouble counts as over, None while the last try failed."""

    since_unix_s: float
    failures: int = 0
    says: str = ""
    well_at_s: float | None = None


class SideJobs:
    """All side jobs of a daemon, by name. All methods run on the event loop's thread."""

    def __init__(
        self,
        clock: Clock,
        changed: Callable[[], object] = lambda: None,
        unix_clock: Clock = time.time,
    ) -> None:
        """`changed` is called when a job gets into trouble or out of it."""
        self._clock, self._changed, self._unix_clock = clock, changed, unix_clock
        self._troubles: dict[str, _Trouble] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self.failures: Counter[str] = Counter()
        """The number of failures of each job that has failed."""

    def start(self, name: str, job: Job, stop: asyncio.Event | None = None) -> asyncio.Task[None]:
        """Run a job in a task of its own, again after each failure, until it returns or `stop` is set."""
        task = asyncio.create_task(self._keep_running(name, job, stop), name=name)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def begin(self, name: str, job: Job) -> None:
        """Do a job once, now; if it fails, continue and retry it later."""
        with self.fence(name):
            await job()
            return
        self.start(name, job)

    @contextmanager
    def fence(self, name: str) -> Iterator[None]:
        """Fence a step of the job `name`: count its exception and swallow it."""
        try:
            yield
        except Exception as error:
            self.failed(name, error)
        else:
            self.goes_on(name)

    def failed(self, name: str, error: BaseException) -> None:
        """Count a failure of a job."""
        self.failures[name] += 1
        trouble = self._troubles.get(name)
        new = trouble is None
        if trouble is None:
            trouble = self._troubles[name] = _Trouble(self._unix_clock())
        trouble.failures += 1
        trouble.says, trouble.well_at_s = in_words(error), None
        # Logs failures 1, 10, 100 and so on, so that a failure in every frame does not fill the log.
        if str(trouble.failures).strip("0") == "1":
            log.error("%s failed (%d so far); the light goes on", name, trouble.failures, exc_info=error)
        if new:
            self._tell()

    def goes_on(self, name: str) -> None:
        """Note that a job works again; `look` decides later if that lasts."""
        trouble = self._troubles.get(name)
        if trouble is not None and trouble.well_at_s is None:
            trouble.well_at_s = self._clock() + WELL_AFTER_S

    def look(self) -> None:
        """Close the trouble of jobs that have worked for long enough; call this now and then."""
        now_s = self._clock()
        well = [
            name
            for name, trouble in self._troubles.items()
            if trouble.well_at_s is not None and trouble.well_at_s <= now_s
        ]
        for name in well:
            log.warning("%s works again after %d failures", name, self._troubles.pop(name).failures)
        if well:
            self._tell()

    def state(self) -> list[dict[str, Any]]:
        """Return the jobs in trouble as doors show them: since when (Unix time), how
        often, and the latest reason."""
        return [
            {
                "name": name,
                "since": trouble.since_unix_s,
                "failures": trouble.failures,
                "says": trouble.says,
            }
            for name, trouble in sorted(self._troubles.items())
        ]

    async def close(self) -> None:
        """End all tasks and wait for them."""
        await cancel_tasks(tuple(self._tasks))

    async def _keep_running(self, name: str, job: Job, stop: asyncio.Event | None) -> None:
        pause = Backoff(random.Random(name))
        while True:
            began_s = self._clock()
            try:
                await job()
            except asyncio.CancelledError as error:
                # A future cancelled by someone else is an ordinary failure; cancellation of this task is not.
                task = asyncio.current_task()
                if task is None or task.cancelling():
                    raise
                self.failed(name, error)
            except Exception as error:
                self.failed(name, error)
            else:
                self.goes_on(name)
                return
            if self._clock() - began_s >= WELL_AFTER_S:
                pause.reset()
            if await _is_set_within(stop, pause.next_s()):
                return
            self.goes_on(name)

    def _tell(self) -> None:
        with suppress(Exception):
            self._changed()


async def _is_set_within(event: asyncio.Event | None, seconds: float) -> bool:
    """Wait for the event for at most this time; return true if it was set."""
    if event is None:
        await asyncio.sleep(seconds)
        return False
    with suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await event.wait()
    return event.is_set()


def in_words(error: BaseException) -> str:
    """Describe an error in one line.

    >>> in_words(ValueError("no such lamp"))
    'no such lamp (ValueError)'
    >>> in_words(ExceptionGroup("several", [OSError(28, "No space left on device")]))
    'No space left on device (OSError)'
    """
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    kind = type(error).__name__
    text = " ".join((getattr(error, "strerror", None) or str(error)).split())
    if not text.isprintable():
        text = repr(text)
    return f"{text[:LONGEST_SAYING]} ({kind})" if text else kind
