"""One kind of wild input, tried so many times: what was made of it, how long it took, what fell.

A kind makes input and feeds it. Feeding gives ``accepted`` or ``refused``, or another word for what became of
the input, and raises for what must not be. Here is added what holds for all: nothing is logged as a fault,
every input is done with within `LONGEST_S`, and the process grows by less than `MOST_MB`.
"""

from __future__ import annotations

import faulthandler
import logging
import os
import random
import re
import resource
import time
import traceback
import unicodedata
from collections import Counter
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

LONGEST_S, MOST_MB = 2.0, 300.0
LONGEST_SHOWN = 400
LONGEST_LINE = 1000
"""Of what a person is to read; a path, a key, a value and a hint stand in it at most."""


class Kind(Protocol):
    """One kind of input, open and ready to be fed."""

    def make(self, rng: random.Random) -> Any: ...
    async def feed(self, made: Any) -> str: ...
    async def check(self) -> None: ...


Open = Callable[[Path], AbstractAsyncContextManager[Kind]]


@dataclass
class Fault:
    """One way in which something fell: how often, and by which input first."""

    said: str
    first: str
    times: int = 0


@dataclass
class Tally:
    """What came of all inputs of a kind."""

    inputs: int = 0
    became: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    slowest: str = ""
    peak_mb: float = 0.0
    faults: dict[str, Fault] = field(default_factory=dict)

    def fell(self, what: str, said: str, made: Any) -> None:
        fault = self.faults.setdefault(what, Fault(said, brief(made)))
        fault.times += 1


class Faults(logging.Handler):
    """Gathers what is logged as an error, by anybody, while it is on."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.said.append(self.format(record))

    def taken(self) -> list[str]:
        found, self.said = self.said, []
        return found


async def trial(
    opens: Open, folder: Path, seed: int, number: int, check_every: int = 500, stuck_s: float | None = None
) -> Tally:
    """Feed `number` inputs of a kind; the same for the same seed.

    Where one takes `stuck_s`, the process says where it is and ends.
    """
    tally, faults = Tally(), Faults()
    logging.getLogger().addHandler(faults)
    try:
        async with opens(folder) as kind:
            base_mb = _peak_mb()
            for i in range(number):
                made = kind.make(random.Random(f"{seed}/{i}"))
                if stuck_s is not None:
                    faulthandler.dump_traceback_later(stuck_s, exit=True)
                await _fed(kind, made, tally, faults)
                tally.peak_mb = max(tally.peak_mb, _peak_mb() - base_mb)
                if tally.peak_mb >= MOST_MB and not any(key.startswith("memory") for key in tally.faults):
                    tally.fell("memory", f"the process grew by {tally.peak_mb:.0f} MB", made)
                if i % check_every == check_every - 1 or i == number - 1:
                    await _checked(kind, made, tally)
        for said in faults.taken():
            tally.fell(_gist(said), said, "at the end")
    finally:
        logging.getLogger().removeHandler(faults)
    return tally


async def _fed(kind: Kind, made: Any, tally: Tally, faults: Faults) -> None:
    tally.inputs += 1
    took_s = await _once(kind, made, tally)
    if took_s > LONGEST_S:
        # A machine that does other things at the same time may have been slow once, or is so all the time.
        took_s = min(took_s, await _once(kind, made, Tally()))
        if took_s > LONGEST_S * max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1)):
            tally.fell("slow", f"took {took_s:.1f} s", made)
    if took_s > tally.slowest_s:
        tally.slowest_s, tally.slowest = took_s, brief(made)
    for said in faults.taken():
        tally.fell(_gist(said), said, made)


async def _once(kind: Kind, made: Any, tally: Tally) -> float:
    began_s = time.perf_counter()
    try:
        tally.became[await kind.feed(made)] += 1
    except Exception as error:
        tally.fell(_gist_of(error), "".join(traceback.format_exception(error)), made)
    return time.perf_counter() - began_s


async def _checked(kind: Kind, made: Any, tally: Tally) -> None:
    try:
        await kind.check()
    except Exception as error:
        tally.fell(f"after: {_gist_of(error)}", "".join(traceback.format_exception(error)), made)


def _gist_of(error: BaseException) -> str:
    """Where in Fillside it was raised, and what was said, without the numbers that differ."""
    every = (error, error.__context__) if error.__context__ is not None else (error,)
    frames = [frame for each in every for frame in traceback.extract_tb(each.__traceback__)]
    own = [frame for frame in frames if "/fillside" in frame.filename and "/tests/" not in frame.filename]
    at = own[-1] if own else frames[-1]
    said = re.split(r"[\[\d'\"]", str(error), maxsplit=1)[0][:60]
    return f"{type(error).__name__} at {Path(at.filename).name}:{at.lineno}: {said}"


def _gist(logged: str) -> str:
    lines = logged.strip().splitlines()
    return f"logged: {lines[0][:60]} … {lines[-1][:60]}"


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def brief(made: Any) -> str:
    shown = repr(made)
    return shown if len(shown) <= LONGEST_SHOWN else f"{shown[:LONGEST_SHOWN]}… ({len(shown)} characters)"


def one_line(said: Any) -> str:
    """What is said to a person, if it is one line of text without characters that steer a terminal."""
    assert isinstance(said, str), f"not a text: {said!r}"
    assert said.strip(), "nothing is said"
    assert len(said) <= LONGEST_LINE, f"{len(said)} characters are no line: {said[:200]!r}"
    steering = [char for char in said if unicodedata.category(char) in ("Cc", "Cs", "Zl", "Zp")]
    assert not steering, f"steering characters {steering[:3]!r} in {said[:200]!r}"
    return said


@asynccontextmanager
async def plain(kind: Kind) -> AsyncIterator[Kind]:
    """A kind that needs nothing opened."""
    yield kind
