"""A daemon as a process of its own, and the packets that leave it."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from journeys.forking import ENTRY, Forked

HURRIED = f"from fillside.hold.machine.aim import Aim; Aim.order_speed = 100.0; {ENTRY}"
"""A daemon whose orders fade a hundred stops a second, for tests that are not about how light goes."""
START_WITHIN_S = 60.0


def command(*args: str) -> list[str]:
    """The command line of a fillside command, whatever the PATH."""
    return [sys.executable, "-c", ENTRY, *args]


class Daemon:
    """``fillside run`` in a process of its own.

    With `anew` it begins with Python itself; `within` is a command that starts it.
    """

    def __init__(
        self,
        rig: Path,
        data: Path,
        *more: str,
        entry: str = ENTRY,
        anew: bool = False,
        within: Sequence[str] = (),
    ) -> None:
        args = ["run", str(rig), "--listen", "127.0.0.1:0", "--data", str(data), *more]
        self.said = b""
        self._out = tempfile.TemporaryFile()  # noqa: SIM115 - closed by stop
        self._err, err = os.pipe()
        self.process: Forked | subprocess.Popen[bytes]
        if anew or within:
            words = [*within, sys.executable, "-c", entry, *args]
            self.process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=self._out, stderr=err)
        else:
            self.process = Forked(*args, stdout=self._out.fileno(), stderr=err, entry=entry)
        os.close(err)
        self.url = self._wait_for_url()

    def _wait_for_url(self) -> str:
        deadline = time.monotonic() + START_WITHIN_S
        while time.monotonic() < deadline:
            ready, _, _ = select.select([self._err], [], [], 0.1)
            if ready:
                chunk = os.read(self._err, 65536)
                self.said += chunk
                for word in self.said.replace(b'"', b" ").split():
                    if word.startswith((b"http://", b"https://")) and b"\n" in self.said:
                        return word.decode("ascii")
                if not chunk:
                    break
        self.stop(signal.SIGKILL)
        raise AssertionError(f"the daemon did not come up: {self.said.decode()}")

    def until_said(self, text: str, within_s: float = START_WITHIN_S) -> None:
        """Wait for a text on stderr."""
        deadline = time.monotonic() + within_s
        while text.encode() not in self.said:
            assert time.monotonic() < deadline, self.said.decode()
            if select.select([self._err], [], [], 0.1)[0]:
                self.said += os.read(self._err, 65536)

    @property
    def port(self) -> int:
        return int(self.url.rsplit(":", 1)[1])

    def get(self, path: str) -> Any:
        with urllib.request.urlopen(self.url + path, timeout=60) as response:
            return json.load(response)

    def do(self, **order: Any) -> Any:
        """The answer to an order, a refusal included."""
        body = json.dumps(order).encode("ascii")
        request = urllib.request.Request(
            self.url + "/api/v1/do", body, {"Content-Type": "application/json"}, method="POST"
        )
        try:
            with urllib.request.urlopen(request, timeout=60) as response:
                return json.load(response)
        except urllib.error.HTTPError as error:
            with error:
                return json.load(error)

    def settled(self, within_s: float = 60.0) -> Any:
        """The state once no head moves any more."""
        deadline = time.monotonic() + within_s
        while time.monotonic() < deadline:
            state = self.get("/api/v1/state")
            if state["settled"]:
                return state
            time.sleep(0.05)
        raise AssertionError(f"not settled within {within_s} s: {state['heads']}")

    def stop(self, number: int = signal.SIGTERM) -> int:
        """End it by a signal; its exit status."""
        if self.process.poll() is None:
            self.process.send_signal(number)
        if not self._out.closed:
            while chunk := os.read(self._err, 65536):
                self.said += chunk
            os.close(self._err)
            self.process.wait(60)
            self._out.seek(0)
            self.said += self._out.read()
            self._out.close()
        return self.process.wait(60)


@contextlib.contextmanager
def running(rig: Path, data: Path, *more: str, entry: str = ENTRY, anew: bool = False) -> Iterator[Daemon]:
    daemon = Daemon(rig, data, *more, entry=entry, anew=anew)
    try:
        yield daemon
    finally:
        daemon.stop(signal.SIGKILL)


class Ear:
    """Hears E1.31 data packets on a port of loopback (ANSI E1.31-2018, tables 4-1 and 6-1)."""

    def __init__(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        self._socket.bind(("127.0.0.1", 0))
        self.port = int(self._socket.getsockname()[1])

    def packet(self, within_s: float = 60.0) -> bytes:
        self._socket.settimeout(within_s)
        return self._socket.recv(2048)

    def waiting(self) -> list[bytes]:
        """All packets that came so far."""
        found = []
        self._socket.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            while True:
                found.append(self._socket.recv(2048))
        return found

    def close(self) -> None:
        self._socket.close()


def slots_of(packet: bytes) -> bytes:
    """Slots 1 to 512; octet 125 is the start code."""
    return packet[126:638]


def ends_stream(packet: bytes) -> bool:
    """Stream_Terminated: bit 6 of the options, octet 112."""
    return bool(packet[112] & 0x40)


def cid_of(packet: bytes) -> bytes:
    """The sender's identity: octets 22 to 37."""
    return packet[22:38]
