"""Work beside the light: a failure in it ends there, is counted, tried again and named in the state.

Two kinds of work are fenced. A task runs until the daemon ends; one that fails is started again, each time
after a longer pause up to a bound. A step is a few lines in the course of something else, such as writing
the journal after an order; what it raises is swallowed. Cancelling passes through both.

A job is in trouble from its first failure until it has gone on for `WELL_AFTER_S` without another.
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

from fillside_drivers.cancellation import cancelled
from fillside_drivers.retry import Backoff

log = logging.getLogger(__name__)

WELL_AFTER_S = 10.0
LONGEST_SAYING = 200

Clock = Callable[[], float]
Job = Callable[[], Awaitable[object]]


@dataclass
class _Trouble:
    """`well_at_s` is when it will have gone well for long enough, None while the last try failed."""

    since_unix_s: float
    failures: int = 0
    says: str = ""
    well_at_s: float | None = None


class SideJobs:
    """All side jobs of a daemon, by name. All methods are called on the event loop's thread."""

    def __init__(self, clock: Clock, changed: Callable[[], object] = lambda: None) -> None:
        """`changed` is called when a job gets into trouble or out of it."""
        self._clock, self._changed = clock, changed
        self._troubles: dict[str, _Trouble] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self.failures: Counter[str] = Counter()
        """How often each job that ever failed has failed."""

    def start(self, name: str, job: Job, stop: asyncio.Event | None = None) -> asyncio.Task[None]:
        """Run a job in a task of its own, again after each failure, until it returns or `stop` is set."""
        task = asyncio.create_task(self._keep_running(name, job, stop), name=name)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def begin(self, name: str, job: Job) -> None:
        """Do a job once, now; where it fails, go on and have it done later."""
        with self.fence(name):
            await job()
            return
        self.start(name, job)

    @contextmanager
    def fence(self, name: str) -> Iterator[None]:
        """A step of the job `name`: what it raises is counted and ends here."""
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
            trouble = self._troubles[name] = _Trouble(time.time())
        trouble.failures += 1
        trouble.says, trouble.well_at_s = in_words(error), None
        # The first, the tenth, the hundredth: what fails with every frame does not fill the log.
        if str(trouble.failures).strip("0") == "1":
            log.error("%s failed (%d so far); the light goes on", name, trouble.failures, exc_info=error)
        if new:
            self._tell()

    def goes_on(self, name: str) -> None:
        """A job does its work again; whether it stays so is seen later."""
        trouble = self._troubles.get(name)
        if trouble is not None and trouble.well_at_s is None:
            trouble.well_at_s = self._clock() + WELL_AFTER_S

    def look(self) -> None:
        """See which jobs have gone well for long enough; to be called now and then."""
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
        """The jobs in trouble, as doors show them: since when (Unix time), how often, and why at last."""
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
        await cancelled(tuple(self._tasks))

    async def _keep_running(self, name: str, job: Job, stop: asyncio.Event | None) -> None:
        pause = Backoff(random.Random(name))
        while True:
            began_s = self._clock()
            try:
                await job()
            except asyncio.CancelledError as error:
                # A future that somebody else cancelled is a failure like others; being cancelled is not.
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
    """Wait so long, or until the event is set; whether it was."""
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
