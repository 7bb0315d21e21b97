"""Fillside's processes forked from one that has all of it imported, so that a start costs next to nothing.

Each is a process like any other: it has streams, an environment, signals and a status of its own. Tests of
the start itself, or of what is imported by it, start Python anew.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from functools import cache
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerContext
from pathlib import Path

ENTRY = "from fillside.cli import main; main()"
ALL = ("fillside.daemon.composition", "fillside.demo.play", "fillside_drivers.registry")
"""What is imported beside all commands."""


@cache
def _warm() -> ForkServerContext:
    """The process that is forked; it ends with this one, whatever ends this one."""
    from fillside.cli.table import COMMANDS

    context = multiprocessing.get_context("forkserver")
    commands = {entry.where.partition(":")[0] for entry in COMMANDS.values()}
    context.set_forkserver_preload([*ALL, *sorted(commands)])
    return context


class Forked:
    """As much of `subprocess.Popen` as tests ask for; its streams are descriptors, or None for nothing."""

    def __init__(
        self,
        *args: str,
        stdin: int | None = None,
        stdout: int | None = None,
        stderr: int | None = None,
        entry: str = ENTRY,
        environ: Mapping[str, str] | None = None,
        cwd: Path | None = None,
    ) -> None:
        # A connection is the one thing that hands a descriptor on.
        given = tuple(
            Connection(os.open(os.devnull, os.O_RDWR) if stream is None else os.dup(stream))
            for stream in (stdin, stdout, stderr)
        )
        own = dict(os.environ if environ is None else environ)
        self._process = _warm().Process(
            target=_become, args=(entry, args, own, cwd or Path.cwd(), given), daemon=True
        )
        self._process.start()
        assert self._process.pid is not None
        self.pid: int = self._process.pid
        for connection in given:
            connection.close()

    @property
    def returncode(self) -> int | None:
        return self._process.exitcode

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        self._process.join(timeout)
        if self._process.exitcode is None:
            raise subprocess.TimeoutExpired("fillside", timeout or 0.0)
        return self._process.exitcode

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


def run(
    *args: str,
    typed: str = "",
    stdin: int | None = None,
    environ: Mapping[str, str] | None = None,
    cwd: Path | None = None,
    timeout: float = 60.0,
) -> subprocess.CompletedProcess[str]:
    """What `subprocess.run` gives of a command of Fillside; on its stdin is what is `typed`, or `stdin`."""
    reads, writes = os.pipe()
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        try:
            os.write(writes, typed.encode())
            os.close(writes)
            own = reads if stdin is None else stdin
            process = Forked(
                *args, stdin=own, stdout=out.fileno(), stderr=err.fileno(), environ=environ, cwd=cwd
            )
        finally:
            os.close(reads)
        try:
            status = process.wait(timeout)
        finally:
            process.kill()
        said = []
        for stream in (out, err):
            stream.seek(0)
            said.append(stream.read().decode())
    return subprocess.CompletedProcess(["fillside", *args], status, *said)


def _become(
    entry: str,
    args: tuple[str, ...],
    environ: Mapping[str, str],
    cwd: Path,
    streams: tuple[Connection, Connection, Connection],
) -> None:
    """Be the process, from its streams to its main programme."""
    for number, stream in enumerate(streams):
        os.dup2(stream.fileno(), number)
        stream.close()
    sys.stdin = open(0, closefd=False)  # noqa: SIM115 - open while the process is
    sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115
    sys.stderr = open(2, "w", buffering=1, errors="backslashreplace", closefd=False)  # noqa: SIM115
    os.environ.clear()
    os.environ.update(environ)
    time.tzset()
    os.chdir(cwd)
    # What runs in the background of a shell has the interrupt ignored, and its children inherit that.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.argv = ["-c", *args]
    with contextlib.suppress(BrokenPipeError):
        exec(compile(entry, "<entry>", "exec"), {"__name__": "__main__"})
