"""Work that would keep the light waiting, done in a process of its own.

The process hangs on two pipes and ends with us whatever ends us: once nobody holds the other end, its next
read says so. What goes over the pipes are pickles between a program and its own child.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import pickle
import resource
import signal
import struct
import sys
from collections.abc import Callable
from typing import IO, Any, ParamSpec, TypeVar

LONGEST_S = 60.0
"""Work that takes longer is given up; the longest fit there is takes some seconds."""
ENDS_WITHIN_S = 1.0
NICENESS = 10
_LENGTH = struct.Struct("!Q")

P = ParamSpec("P")
T = TypeVar("T")


class WorkerError(Exception):
    """The work could not be done; the text says why."""


class WorkerProcess:
    """Does one piece of work at a time. The process is begun with the first, or by `begin`.

    Work that takes longer than `longest_s` seconds is given up, and so is what wants more than `most_bytes`
    of memory, 0 being any. `niceness` lets it wait for whatever else the machine does.
    """

    def __init__(self, longest_s: float = LONGEST_S, most_bytes: int = 0, niceness: int = NICENESS) -> None:
        self._longest_s = longest_s
        self._arguments = (str(niceness), str(most_bytes))
        self._process: asyncio.subprocess.Process | None = None
        self._turn = asyncio.Lock()

    async def begin(self) -> None:
        """Have the process up before its first work: it takes most of a second to begin."""
        async with self._turn:
            await self._up()

    async def run(self, work: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
        """Return what `work`, a function of a module, returns; WorkerError where it fails or takes too
        long."""
        async with self._turn:
            process = await self._up()
            done = False
            try:
                async with asyncio.timeout(self._longest_s):
                    well, result = await _asked(process, (work, args, named))
                done = True
            except TimeoutError:
                raise WorkerError(f"it took longer than {self._longest_s:g} s") from None
            except (ConnectionError, asyncio.IncompleteReadError) as error:
                raise WorkerError("the process that was to do it ended") from error
            finally:
                if not done:
                    await self._end()
        if not well:
            raise WorkerError(str(result))
        found: T = result
        return found

    async def close(self) -> None:
        """End the process; work that is under way is given up."""
        await self._end()

    async def _up(self) -> asyncio.subprocess.Process:
        if self._process is not None and self._process.returncode is None:
            return self._process
        self._process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-P",
            "-m",
            "fillside.background.worker_process",
            *self._arguments,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
        )
        return self._process

    async def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(ENDS_WITHIN_S):
                await process.wait()


async def _asked(process: asyncio.subprocess.Process, question: Any) -> tuple[bool, Any]:
    assert process.stdin is not None
    assert process.stdout is not None
    # Some tens of readings pickle in a millisecond, but a rig of hundreds of heads does not.
    body = await asyncio.to_thread(pickle.dumps, question)
    process.stdin.write(_LENGTH.pack(len(body)) + body)
    await process.stdin.drain()
    (length,) = _LENGTH.unpack(await process.stdout.readexactly(_LENGTH.size))
    answer: tuple[bool, Any] = await asyncio.to_thread(pickle.loads, await process.stdout.readexactly(length))
    return answer


def serve(incoming: IO[bytes], outgoing: IO[bytes]) -> None:
    """Do what is asked, one after the other, until nobody asks any more."""
    while len(head := incoming.read(_LENGTH.size)) == _LENGTH.size:
        work, args, named = pickle.loads(incoming.read(_LENGTH.unpack(head)[0]))
        try:
            answer = True, work(*args, **named)
        except MemoryError:
            answer = False, "it wants more memory than there is for it"
        except Exception as error:  # whatever the work raises belongs to whoever asked
            answer = False, f"{type(error).__name__}: {error}"
        body = pickle.dumps(answer)
        outgoing.write(_LENGTH.pack(len(body)) + body)
        outgoing.flush()


def main() -> None:
    """Serve whoever started us; what is printed goes to stderr, so that it cannot get between answers."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    niceness, most_bytes = map(int, sys.argv[1:])
    os.nice(niceness)
    if most_bytes:
        resource.setrlimit(resource.RLIMIT_DATA, (most_bytes, most_bytes))
    outgoing = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    with contextlib.suppress(BrokenPipeError):
        serve(sys.stdin.buffer, outgoing)


if __name__ == "__main__":
    main()
