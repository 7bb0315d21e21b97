"""A separate process for work that would delay the light.

The process is connected by two pipes and ends with its parent, however that ends: once the other end is
closed, its next read reports it. The pipes carry pickles between a program and its own child.
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
"""The limit for one piece of work; the longest fit takes some seconds."""
ENDS_WITHIN_S = 1.0
NICENESS = 10
_LENGTH = struct.Struct("!Q")

P = ParamSpec("P")
T = TypeVar("T")


class WorkerError(Exception):
    """The work could not be done; the text gives the reason."""


class WorkerProcess:
    """Does one piece of work at a time. The process starts with the first piece, or by `begin`.

    Work that takes longer than `longest_s` seconds is abandoned, and so is work that needs more than
    `most_bytes` of memory, 0 meaning no limit. `niceness` lowers its priority.
    """

    def __init__(self, longest_s: float = LONGEST_S, most_bytes: int = 0, niceness: int = NICENESS) -> None:
        self._longest_s = longest_s
        self._arguments = (str(niceness), str(most_bytes))
        self._process: asyncio.subprocess.Process | None = None
        self._turn = asyncio.Lock()

    async def begin(self) -> None:
        """Start the process before its first work, as that takes most of a second."""
        async with self._turn:
            await self._up()

    async def run(self, work: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
        """Return the result of `work`, a function of a module. Raises WorkerError if
        it fails or takes too long."""
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
                raise WorkerError("the worker process ended") from error
            finally:
                if not done:
                    await self._end()
        if not well:
            raise WorkerError(str(result))
        found: T = result
        return found

    async def close(self) -> None:
        """End the process and abandon work in progress."""
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


Workers = Callable[..., WorkerProcess]
"""Makes worker processes; called as `WorkerProcess` is."""


async def _asked(process: asyncio.subprocess.Process, question: Any) -> tuple[bool, Any]:
    assert process.stdin is not None
    assert process.stdout is not None
    # Some tens of readings pickle in a millisecond, but a rig of hundreds of heads takes longer.
    body = await asyncio.to_thread(pickle.dumps, question)
    process.stdin.write(_LENGTH.pack(len(body)) + body)
    await process.stdin.drain()
    (length,) = _LENGTH.unpack(await process.stdout.readexactly(_LENGTH.size))
    answer: tuple[bool, Any] = await asyncio.to_thread(pickle.loads, await process.stdout.readexactly(length))
    return answer


def serve(incoming: IO[bytes], outgoing: IO[bytes]) -> None:
    """Do the requested work, one piece after the other, until the pipe closes."""
    while len(head := incoming.read(_LENGTH.size)) == _LENGTH.size:
        work, args, named = pickle.loads(incoming.read(_LENGTH.unpack(head)[0]))
        try:
            answer = True, work(*args, **named)
        except MemoryError:
            answer = False, "it wants more memory than there is for it"
        except Exception as error:  # every failure of the work is passed to the caller
            answer = False, f"{type(error).__name__}: {error}"
        body = pickle.dumps(answer)
        outgoing.write(_LENGTH.pack(len(body)) + body)
        outgoing.flush()


def main() -> None:
    """Serve the parent process; print to stderr, so that prints cannot corrupt answers."""
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
