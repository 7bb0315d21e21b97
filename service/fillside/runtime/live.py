"""Tell everybody who looks on what has changed, without ever waiting for one of them.

The owner of the state calls `studio_changed` or `changed` as often as it likes. Watchers are woken and look
for themselves. Readers are sent JSON: at most `MOST_PER_SECOND` times a second the state is made once and
compared with the last one sent; the difference is written as JSON once and handed to every reader's own
queue, a few readers in each turn of the event loop, so that a frame that falls due is never behind two
hundred of them. Where many look on they are sent less often, so that all of them together take a tenth of a
processor at most. A reader whose queue is full does not keep up: it is dropped, with the reason.
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
"""After so long without a change readers get ``{"changed": {}}``, and know that somebody is there."""
QUEUE = 60
READERS_PER_TURN = 4
TEXTS_PER_SECOND = 1000
"""To all readers together: a hundred of them hear ten times a second, two hundred five times."""
MOST_READERS = 300
"""Half of all the connections there may be, so that who orders finds room."""

State = dict[str, Any]
"""The state that doors show, JSON-able."""


class DroppedError(Exception):
    """The reader was dropped; the text says why."""


def difference(old: State, new: State) -> State:
    """The top-level members that changed, with their new values.

    >>> difference({"mode": "follow", "heads": []}, {"mode": "freeze", "heads": []})
    {'mode': 'freeze'}
    """
    return {name: value for name, value in new.items() if name not in old or old[name] != value}


def pause_s(readers: int) -> float:
    """Seconds between two differences, so that nobody's screen jumps and nobody's frame waits.

    >>> pause_s(1), pause_s(200)
    (0.05, 0.2)
    """
    return max(1 / MOST_PER_SECOND, readers / TEXTS_PER_SECOND)


def as_text(value: Any) -> str:
    return json.dumps(value, allow_nan=False, separators=(",", ":"))


class Reader:
    """A looker-on: a short queue of texts, and the reason once it was dropped."""

    def __init__(self, first: str) -> None:
        self._queue: deque[str] = deque([first])
        self._ready = asyncio.Event()
        self._ready.set()
        self.dropped: str | None = None

    def hand(self, text: str) -> bool:
        """Put a text in its queue; false where there is no room."""
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
        """The next text; raises DroppedError once the reader was dropped."""
        await self._ready.wait()
        if self.dropped is not None:
            raise DroppedError(self.dropped)
        text = self._queue.popleft()
        if not self._queue:
            self._ready.clear()
        return text


class Live:
    """All lookers-on. `run` is its one task."""

    def __init__(self, state: Callable[[], State]) -> None:
        self._state = state
        self._readers: set[Reader] = set()
        self._watchers: set[asyncio.Event] = set()
        self._changed = asyncio.Event()
        self._sent: State = {}
        self._missed = False
        self.dropped = 0

    @property
    def readers(self) -> int:
        return len(self._readers)

    def drop(self, reader: Reader, reason: str) -> None:
        """Let one go, and give it the reason."""
        if reader in self._readers:
            self._readers.discard(reader)
            self.dropped += 1
        reader.drop(reason)

    def changed(self) -> None:
        """Send readers soon what is another in the state."""
        if self._readers:
            self._changed.set()

    def studio_changed(self) -> None:
        """Send readers soon what is another in the state, and wake all watchers."""
        self.changed()
        for watcher in self._watchers:
            watcher.set()

    @contextmanager
    def watching(self) -> Iterator[asyncio.Event]:
        """An event that is set whenever the studio changed; the watcher clears it and looks at the state."""
        changed = asyncio.Event()
        self._watchers.add(changed)
        try:
            yield changed
        finally:
            self._watchers.discard(changed)

    @asynccontextmanager
    async def join(self) -> AsyncIterator[Reader]:
        """Look on: the first text is ``{"full": state}``, then come ``{"changed": …}``."""
        if not self._readers:
            self._sent = self._state()
        # The first text is what the others were sent last, so that the next difference fits everybody.
        reader = Reader(as_text({"full": self._sent}))
        self._readers.add(reader)
        self._changed.set()
        try:
            yield reader
        finally:
            self._readers.discard(reader)

    async def run(self) -> None:
        """Send differences until cancelled. Begun again after a failure, it sends what readers missed."""
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
            state = self._state()
            news = state if self._missed else difference(self._sent, state)
            self._sent = state
            if news or beat:
                self._missed = True
                await self._hand_round(as_text({"changed": news}))
                self._missed = False
            await asyncio.sleep(pause_s(len(self._readers)))

    async def _hand_round(self, text: str) -> None:
        for number, reader in enumerate(tuple(self._readers), start=1):
            if not reader.hand(text):
                self.drop(reader, f"too slow: {QUEUE} changes behind")
            if number % READERS_PER_TURN == 0:
                await asyncio.sleep(0)

    def end(self, reason: str) -> None:
        """Drop everybody, when the daemon stops."""
        for reader in self._readers:
            reader.drop(reason)
        self._readers.clear()
