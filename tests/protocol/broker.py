"""A real MQTT broker for tests: the system's Mosquitto on a free loopback port."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")

needs_mosquitto = pytest.mark.skipif(
    MOSQUITTO is None and not os.environ.get("FILLSIDE_REQUIRE_PARTS"),
    reason="needs the broker of Debian's package mosquitto",
)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _configuration(folder: Path, port: int, *lines: str, anonymous: bool = True) -> Path:
    settings = [
        f"listener {port} 127.0.0.1",
        f"allow_anonymous {str(anonymous).lower()}",
        "set_tcp_nodelay true",
        "persistence false",
        # Started as root it would become another user, who cannot read the files of a test.
        *(["user root"] if os.geteuid() == 0 else []),
        *lines,
    ]
    file = folder / f"mosquitto-{port}.conf"
    file.write_text("\n".join(settings) + "\n")
    return file


@contextlib.contextmanager
def running_broker(folder: Path) -> Iterator[int]:
    """A broker for tests that have loops of their own; gives its port."""
    assert MOSQUITTO is not None, "Debian's package mosquitto is required here"
    port = free_port()
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    with subprocess.Popen([MOSQUITTO, "-c", str(_configuration(folder, port))], **quiet) as process:
        for _ in range(200):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)):
                break
            time.sleep(0.02)
        yield port
        process.kill()


class Broker:
    """Mosquitto on 127.0.0.1; can be killed and started again on the same port."""

    def __init__(self, folder: Path, *lines: str, anonymous: bool = True) -> None:
        self.port = free_port()
        self._file = _configuration(folder, self.port, *lines, anonymous=anonymous)
        self._process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        assert MOSQUITTO is not None, "Debian's package mosquitto is required here"
        self._process = await asyncio.create_subprocess_exec(
            MOSQUITTO,
            "-c",
            str(self._file),
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        for _ in range(200):
            with contextlib.suppress(OSError):
                _, writer = await asyncio.open_connection("127.0.0.1", self.port)
                writer.close()
                await writer.wait_closed()
                return
            await asyncio.sleep(0.02)
        raise AssertionError("Mosquitto did not start")

    async def kill(self) -> None:
        if self._process is not None and self._process.returncode is None:
            self._process.kill()
            await self._process.wait()

    def hang(self) -> None:
        """Stop it as it is: its connections stay open, and nothing answers."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    async def __aenter__(self) -> Broker:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.kill()


@contextlib.asynccontextmanager
async def broker(folder: Path, *lines: str, anonymous: bool = True) -> AsyncIterator[Broker]:
    async with Broker(folder, *lines, anonymous=anonymous) as running:
        yield running


async def until(true: object, within_s: float = 60.0) -> None:
    """Wait until a condition holds; fails after a time that nothing here should need."""
    assert callable(true)
    for _ in range(int(within_s / 0.01)):
        if true():
            return
        await asyncio.sleep(0.01)
    raise AssertionError(f"did not come true within {within_s:g} s")
