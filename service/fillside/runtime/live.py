"""Sends changes of the state to all readers without waiting for any of them.

The owner of the state calls `studio_changed` or `changed` as often as it likes. Watchers are woken and read
the state themselves. Readers receive JSON: at most `MOST_PER_SECOND` times a second the state is built once
and compared with the last one sent. The difference is written as JSON once and put in every reader's queue, a
few readers per turn of the event loop, so that a frame that is due never waits behind two hundred readers.
With many readers, updates are less frequent, so that all readers together take at most a tenth of a
processor; so they are with so many heads that the state itself takes long to build. A reader whose queue is
full is too slow: it is dropped, with the reason.
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from typing import Any

MOST_PER_SECOND = 20
BEAT_S = 5.0
"""After this time without a change, readers get ``{"changed": {}}`` as a sign of life."""
QUEUE = 60
READERS_PER_TURN = 4
TEXTS_PER_SECOND = 1000
"""The limit for all readers together: a hundred of them get ten texts a second each, two hundred five."""
BUILDING_SHARE = 0.2
"""The most of the time that goes into building states for readers, whatever the number of heads."""
MOST_READERS = 300
"""Half of all permitted connections, so that there is always room for orders."""

State = dict[str, Any]
"""The state that doors show, ready for JSON."""


class DroppedError(Exception):
    """The reader was dropped; the text gives the reason."""


def difference(old: State, new: State) -> State:
    """Return the top-level members that changed, with their new values.

    >>> difference({"mode": "follow", "heads": []}, {"mode": "freeze", "heads": []})
    {'mode': 'freeze'}
    """
    return {name: value for name, value in new.items() if name not in old or old[name] != value}


def pause_s(readers: int, built_in_s: float = 0.0) -> float:
    """Return the seconds between two differences, so that no screen jumps and no frame waits.

    `built_in_s` is the time that the latest one took to build.

    >>> pause_s(1), pause_s(200), pause_s(1, 0.05)
    (0.05, 0.2, 0.25)
    """
    return max(1 / MOST_PER_SECOND, readers / TEXTS_PER_SECOND, built_in_s / BUILDING_SHARE)


def as_text(value: Any) -> str:
    return json.dumps(value, allow_nan=False, separators=(",", ":"))


class Reader:
    """A reader: a short queue of texts, and the reason once it is dropped."""

    def __init__(self, first: str) -> None:
        self._queue: deque[str] = deque([first])
        self._ready = asyncio.Event()
        self._ready.set()
        self.dropped: str | None = None

    def hand(self, text: str) -> bool:
        """Put a text in the queue; return false if there is no room."""
        if len(self._queue) >= QUEUE:
            return False
        if self.dropped is None:
            self._queue.append(text)
            self._ready.set()
        return True

    def drop(self, reason: str) -> None:
        self.dropped = reason
        self._queue.clear()
        self._ready.set()

    async def next(self) -> str:
        """Return the next text. Raises DroppedError once the reader is dropped."""
        await self._ready.wait()
        if self.dropped is not None:
            raise DroppedError(self.dropped)
        text = self._queue.popleft()
        if not self._queue:
            self._ready.clear()
        return text


class Live:
    """All readers and watchers. `run` is the only task."""

    def __init__(self, state: Callable[[], State]) -> None:
        self._state = state
        self._readers: dict[Reader, None] = {}  # by when they came, as the watchers
        self._watchers: dict[asyncio.Event, None] = {}
        self._changed = asyncio.Event()
        self._sent: State = {}
        self._missed = False
        self.dropped = 0

    @property
    def readers(self) -> int:
        return len(self._readers)

    def drop(self, reader: Reader, reason: str) -> None:
        """Drop a reader with a reason."""
        if reader in self._readers:
            self._readers.pop(reader, None)
            self.dropped += 1
        reader.drop(reason)

    def changed(self) -> None:
        """Send readers the changes in the state soon."""
        if self._readers:
            self._changed.set()

    def studio_changed(self) -> None:
        """Send readers the changes in the state soon, and wake all watchers."""
        self.changed()
        for watcher in self._watchers:
            watcher.set()

    @contextmanager
    def watching(self) -> Iterator[asyncio.Event]:
        """Yield an event that is set whenever the studio changes; the watcher clears
        it and reads the state."""
        changed = asyncio.Event()
        self._watchers[changed] = None
        try:
            yield changed
        finally:
            self._watchers.pop(changed, None)

    @asynccontextmanager
    async def join(self) -> AsyncIterator[Reader]:
        """Register a reader: its first text is ``{"full": state}``, followed by ``{"changed": …}``."""
        if not self._readers:
            self._sent = self._state()
        # The first text is the state last sent to the others, so that the next difference fits every reader.
        reader = Reader(as_text({"full": self._sent}))
        self._readers[reader] = None
        self._changed.set()
        try:
            yield reader
        finally:
            self._readers.pop(reader, None)

    async def run(self) -> None:
        """Send differences until cancelled. After a failure and a restart, send what readers missed."""
        self._changed.set()
        while True:
            beat = False
            try:
                async with asyncio.timeout(BEAT_S):
                    await self._changed.wait()
            except TimeoutError:
                beat = True
            self._changed.clear()
            if not self._readers:
                continue
            began_s = asyncio.get_running_loop().time()
            state = self._state()
            changes = state if self._missed else difference(self._sent, state)
            self._sent = state
            built_in_s = asyncio.get_running_loop().time() - began_s
            if changes or beat:
                self._missed = True
                await self._hand_round(as_text({"changed": changes}))
                self._missed = False
            await asyncio.sleep(pause_s(len(self._readers), built_in_s))

    async def _hand_round(self, text: str) -> None:
        for number, reader in enumerate(tuple(self._readers), start=1):
            if not reader.hand(text):
                self.drop(reader, f"too slow: {QUEUE} changes behind")
            if number % READERS_PER_TURN == 0:
                await asyncio.sleep(0)

    def end(self, reason: str) -> None:
        """Drop all readers when the daemon stops."""
        for reader in self._readers:
            reader.drop(reason)
        self._readers.clear()
