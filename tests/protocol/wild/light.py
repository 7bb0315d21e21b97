"""A studio whose light is watched while wild input comes, and whose clock stands still between inputs.

As no time passes for the hold, no code may change but by an order: where none was obeyed, what is remembered,
what is held and what was sent on the wires are as they were. After an order some tenths of a second go by.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import AbstractContextManager, asynccontextmanager
from pathlib import Path
from typing import Any, NoReturn

from fillside.background.side_jobs import SideJobs
from fillside.daemon.composition import Running, Settings, daemon
from fillside.doors.http.listening import Listen
from fillside.doors.http.responses import STATUS_OF_CODE
from fillside.orders.answers import Refusal
from fillside.orders.model import LightOrder, MeterOrder
from fillside.storage.records.journal import Visitor
from fillside_drivers.system import System
from protocol.studio import rig
from protocol.wild.trial import one_line

LISTS = ("state", "journal", "readings", "takes", "calibrations", "places")
TICKS, TICK_S = 4, 0.09
"""A step of the clock counts as a tenth of a second at most."""


class Clock(System):
    """A machine on which elapsed time passes only when it is told to."""

    def __init__(self) -> None:
        self.now = 1000.0

    def clock(self) -> float:
        return self.now


def strict(body: bytes | str) -> Any:
    """JSON as RFC 8259 has it: no NaN, no infinity, no key twice."""

    def no_constant(name: str) -> NoReturn:
        raise AssertionError(f"{name} in JSON")

    def no_twin(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        assert len(dict(pairs)) == len(pairs), f"a key twice: {[key for key, _ in pairs]}"
        return dict(pairs)

    return json.loads(body, parse_constant=no_constant, object_pairs_hook=no_twin)


def code_of(answer: Any) -> str:
    """The code of an answer in the shape of every door; it says in one line what is wrong."""
    if answer.get("ok") is True:
        assert set(answer) == {"ok", "note", "state"}, sorted(answer)
        return "ok"
    assert set(answer) == {"error"}, sorted(answer)
    error = answer["error"]
    assert set(error) == {"code", "message", "where"}, sorted(error)
    one_line(error["message"])
    if error["where"]:
        one_line(error["where"])
    assert error["code"] in STATUS_OF_CODE, error
    return str(error["code"])


class Light:
    """Stands before the studio, as the doors see it, and counts what was obeyed."""

    def __init__(self, up: Running, clock: Clock) -> None:
        self.up, self._clock, self.obeyed = up, clock, 0
        self._before: Any = None
        self._count_orders()

    @property
    def jobs(self) -> SideJobs:
        return self.up.runner.jobs

    async def do(self, order: LightOrder | MeterOrder, visitor: Visitor, source: Any = None) -> str:
        return await self.up.runner.do(order, visitor, source)

    def refuse(self, source: Any, visitor: Visitor, refusal: Refusal) -> None:
        self.up.runner.refuse(source, visitor, refusal)

    def _count_orders(self) -> None:
        """Count what the hold and the meter's side obey, whoever gave it and whoever waits for the answer."""
        runner, lights, meters = self.up.runner, self.up.runner._lights, self.up.runner._meters

        def lit(order: Any) -> str:
            note = lights(order)
            self.obeyed += 1
            return note

        async def metered(order: Any, visitor: Visitor) -> str:
            note = await meters(order, visitor)
            self.obeyed += 1
            return note

        runner._lights, runner._meters = lit, metered  # type: ignore[method-assign]

    def state(self) -> dict[str, Any]:
        return self.up.runner.state()

    def watching(self) -> AbstractContextManager[asyncio.Event]:
        return self.up.runner.watching()

    def _light(self) -> Any:
        runner = self.up.runner
        sent = {name: dict(driver._codes) for name, driver in runner.wires.in_use.drivers.items()}
        return runner.light.codes, runner.wires._sent, runner.light.remember(), sent

    def begin(self) -> None:
        self.obeyed, self._before = 0, self._light()

    def end(self, *, accepted: bool | None = None) -> str:
        """What became of the input; nothing changed unless something was obeyed."""
        if not (self.obeyed if accepted is None else accepted):
            assert self._light() == self._before, "the light, or what is wanted, changed without an order"
            return "refused"
        for _ in range(TICKS):
            self._clock.now += TICK_S
            self.up.runner._tick(self._clock.now)
        return "accepted"

    async def ask(self, request: bytes) -> tuple[int, Any]:
        """Status and JSON of an answer over HTTP, by a connection of its own."""
        reader, writer = await asyncio.open_connection("127.0.0.1", int(self.up.url.rpartition(":")[2]))
        try:
            writer.write(request)
            head = await reader.readuntil(b"\r\n\r\n")
            length = next(
                int(line[15:]) for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:")
            )
            return int(head.split(b" ", 2)[1]), strict(await reader.readexactly(length))
        finally:
            writer.close()

    async def check(self) -> None:
        """All that can be looked at is there, and is JSON to the letter."""
        for name in LISTS:
            status, body = await self.ask(f"GET /api/v1/{name} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
            assert status == 200, f"{name}: {status}: {body}"


@asynccontextmanager
async def studio(folder: Path, tables: str = "", **settings: Any) -> AsyncIterator[Light]:
    """A daemon of its own in this process, with a clock that stands still."""
    kept, clock = folder / "kept", Clock()
    kept.mkdir(exist_ok=True)
    where = Settings(kept, folder / "tokens.json", Listen(port=0), **settings)
    async with daemon(rig(tables), where, clock) as up:
        # Light on its way up would go on by itself.
        while not up.runner.state()["settled"]:
            clock.now += TICK_S
            up.runner._tick(clock.now)
        yield Light(up, clock)
