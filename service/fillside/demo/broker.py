"""Runs the system's Mosquitto on a port of its own for the length of a demonstration."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

SEARCH_PATH = "/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin"
"""Folders to search when Mosquitto is not on the PATH."""
START_TIMEOUT_S = 5.0
ASK_EVERY_S = 0.05


class BrokerUnavailableError(Exception):
    """No broker is available; the text is one clear line with the remedy."""


def mosquitto_path() -> str:
    """Return the path of Mosquitto; raises BrokerUnavailableError."""
    found = shutil.which("mosquitto") or shutil.which("mosquitto", path=SEARCH_PATH)
    if found is None:
        raise BrokerUnavailableError(
            "this needs the MQTT broker Mosquitto, which is not installed; on Debian: apt install mosquitto"
        )
    return found


def free_port() -> int:
    """Return an unused TCP port of loopback."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def configuration(port: int) -> str:
    """Return the broker's configuration: loopback alone, no persistence, no password, no delay.

    >>> "listener 4711 127.0.0.1" in configuration(4711).splitlines()
    True
    """
    lines = (
        f"listener {port} 127.0.0.1",
        "allow_anonymous true",
        "persistence false",
        "set_tcp_nodelay true",
        "log_dest none",
    )
    return "\n".join(lines) + "\n"


@asynccontextmanager
async def mosquitto(folder: Path) -> AsyncIterator[int]:
    """Run Mosquitto on a free loopback port with its configuration in `folder`; yields the port.

    Raises BrokerUnavailableError when it is not installed or does not answer.
    """
    program, port = mosquitto_path(), free_port()
    file = folder / "mosquitto.conf"
    file.write_text(configuration(port), "utf-8")
    process = await asyncio.create_subprocess_exec(
        program,
        "-c",
        str(file),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
        # Ctrl-C in the terminal must reach the demonstration alone, which then ends its broker.
        start_new_session=True,
    )
    try:
        await _until_it_answers(process, program, port)
        yield port
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.terminate()
        await process.wait()


async def _until_it_answers(process: asyncio.subprocess.Process, program: str, port: int) -> None:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(START_TIMEOUT_S):
            while process.returncode is None:
                with contextlib.suppress(OSError):
                    _, writer = await asyncio.open_connection("127.0.0.1", port)
                    writer.close()
                    await writer.wait_closed()
                    return
                await asyncio.sleep(ASK_EVERY_S)
    raise BrokerUnavailableError(f"{program} does not answer on 127.0.0.1:{port}")
