"""What others get of the daemon, and what the light does, while one kind of flood after the other runs.

    python tests/bench/bench_floods.py [--seconds 6] [--count 1100] [--nofile 1024] [KIND ...]

A daemon of its own fades to and fro. Each flood is a process of its own (`flooding.py`), from one address
of this machine or from eight; `handshake` speaks to a daemon with TLS, `mqtt` wants Mosquitto. Printed are,
quiet and under each: the longest time between two frames, the longest time in which another address and a
command's order over loopback were answered, how many got no answer within five seconds, how much memory and
processor the daemon took, and how many lines its log grew by. A ratio to the quiet machine says more than
any of the times, since other work on this machine delays frames too.

With the right to do so the daemon runs at the priority of its unit: floods come from other machines, and
would else take the processor that there it has for itself.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import os
import shutil
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.own_daemon import ENTRY, OwnDaemon, two_heads
from rigs import head_at, toml


def hair_and_osc(port: int) -> str:
    """A head more, and a door for OSC."""
    wire = {"driver": "stage", "universe": 1, "slot": 5, "bits": 16}
    hair = head_at("hair", [0.5, 1.2, 2.1], intensity=600, drive=wire)
    return toml({"heads": [hair], "doors": {"osc": {"listen": f"127.0.0.1:{port}"}}})


ONE, SEVERAL, ELSEWHERE = (20, 1), (30, 8), "127.0.0.77"
KINDS = {
    "silent": ONE,
    "silent-several": SEVERAL,
    "silent-local": (1, 1),
    "head": ONE,
    "long-head": ONE,
    "body": ONE,
    "body-local": (1, 1),
    "reader": ONE,
    "pipeline": ONE,
    "orders": ONE,
    "idle": ONE,
    "idle-several": SEVERAL,
    "watch": ONE,
    "watch-local": (1, 1),
    "watch-deaf": ONE,
    "handshake": ONE,
    "handshake-several": SEVERAL,
    "osc": ONE,
    "mqtt": ONE,
}
PATIENCE_S = 5.0
NICE = -5


class Frames(threading.Thread):
    """The longest time between two frames while `on`."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self._ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._ear.bind(("127.0.0.1", 0))
        self.port = int(self._ear.getsockname()[1])
        self.longest_s = 0.0
        self._last: float | None = None

    def begin(self) -> None:
        self._last, self.longest_s = None, 0.0

    def run(self) -> None:
        while True:
            self._ear.recv(2048)
            now = time.perf_counter()
            if self._last is not None:
                self.longest_s = max(self.longest_s, now - self._last)
            self._last = now


class Asker(threading.Thread):
    """Asks again and again from one address, each time on a connection of its own."""

    def __init__(self, up: Up, address: str, order: dict[str, object] | None) -> None:
        super().__init__(daemon=True)
        self._up, self._address, self._order = up, address, order
        self.slowest_s, self.unanswered, self.asked, self.over = 0.0, 0, 0, threading.Event()

    def run(self) -> None:
        while not self.over.wait(0.1):
            start = time.perf_counter()
            self.asked += 1
            try:
                self._up.ask(self._order, self._address)
            except (OSError, http.client.HTTPException, ValueError):
                self.unanswered += 1
            self.slowest_s = max(self.slowest_s, time.perf_counter() - start)


class Up(OwnDaemon):
    """One that is asked on a connection made for that, and whose use of the machine is told."""

    def __init__(self, folder: Path, frames: int, nofile: int, mqtt: int | None, tls: bool) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            self.osc = int(free.getsockname()[1])
        self.mqtt = mqtt
        folder.mkdir()
        table = "" if mqtt is None else f'[doors.mqtt]\nbroker = "127.0.0.1"\nport = {mqtt}\n'
        rig = two_heads(frames, exposure_lux=120, stops_s=0.33)
        entry = f"""import resource
hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
resource.setrlimit(resource.RLIMIT_NOFILE, (min({nofile}, hard), hard))
{ENTRY}"""
        certified = _certified(folder) if tls else []
        self._trusted = ssl.create_default_context(cafile=str(folder / "ca.pem")) if tls else None
        super().__init__(folder, rig + hair_and_osc(self.osc) + table, *certified, entry=entry)

    def ask(self, order: dict[str, object] | None, address: str = "127.0.0.1") -> object:
        where = ("127.0.0.1", self.port, PATIENCE_S, (address, 0))
        door: http.client.HTTPConnection
        if self._trusted is None:
            door = http.client.HTTPConnection(where[0], where[1], timeout=where[2], source_address=where[3])
        else:
            door = http.client.HTTPSConnection(
                where[0], where[1], timeout=where[2], source_address=where[3], context=self._trusted
            )
        with contextlib.closing(door):
            if order is None:
                door.request("GET", "/api/v1/state")
            else:
                door.request("POST", "/api/v1/do", json.dumps(order), {"Content-Type": "application/json"})
            return json.loads(door.getresponse().read())

    def memory_mb(self) -> float:
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(next(line for line in status.splitlines() if line.startswith("VmRSS")).split()[1]) / 1024

    def cpu_s(self) -> float:
        told = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(told[11]) + int(told[12])) / os.sysconf("SC_CLK_TCK")

    def log_lines(self) -> int:
        return self.log.read_bytes().count(b"\n")


def _certified(folder: Path) -> list[str]:
    import trustme

    authority = trustme.CA()
    authority.cert_pem.write_to_path(folder / "ca.pem")
    issued = authority.issue_cert("127.0.0.1", "localhost")
    issued.private_key_pem.write_to_path(folder / "key.pem")
    with (folder / "cert.pem").open("wb") as out:
        for blob in issued.cert_chain_pems:
            out.write(blob.bytes())
    return ["--certificate", str(folder / "cert.pem"), "--key", str(folder / "key.pem")]


@contextlib.contextmanager
def flood(up: Up, kind: str, count: int) -> Iterator[None]:
    first, addresses = KINDS[kind]
    behaviour = kind.removesuffix("-several").removesuffix("-local")
    command = [sys.executable, str(Path(__file__).with_name("flooding.py")), behaviour, str(up.port)]
    target = up.mqtt if behaviour == "mqtt" else up.osc
    command += [str(count), str(first), str(addresses), str(target)]
    flooding = subprocess.Popen(command, start_new_session=True)
    try:
        yield
    finally:
        flooding.kill()
        flooding.wait()


def watch(up: Up, frames: Frames, seconds: float) -> str:
    """A line of figures while the light goes to and fro."""
    askers = [Asker(up, ELSEWHERE, None), Asker(up, "127.0.0.1", {"do": "follow"})]
    for asker in askers:
        asker.start()
    start, used_s = time.monotonic(), up.cpu_s()
    end, up_by, most_mb, longest_s, failed = time.monotonic() + seconds, 1, 0.0, 0.0, 0
    while time.monotonic() < end:
        try:
            up.ask({"do": "expose", "by": up_by}, "127.0.0.78")
        except (OSError, http.client.HTTPException, ValueError):
            failed += 1
            continue
        up_by = -up_by
        time.sleep(0.05)
        frames.begin()
        until = time.monotonic() + 1.7
        while time.monotonic() < until:
            most_mb = max(most_mb, up.memory_mb())
            time.sleep(0.1)
        longest_s = max(longest_s, frames.longest_s)
    for asker in askers:
        asker.over.set()
    for asker in askers:
        asker.join()
    cpu = (up.cpu_s() - used_s) / (time.monotonic() - start)
    told = "  ".join(
        f"{name} {asker.slowest_s:6.3f} s, {asker.unanswered}/{asker.asked} not"
        for name, asker in zip(("other", "order"), askers, strict=True)
    )
    light = f"frames {longest_s * 1000:6.0f} ms ({failed} no fade)"
    return f"{light}  {told}  memory {most_mb:5.0f} MB  cpu {cpu:4.0%}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("kinds", nargs="*", choices=[*KINDS, []], metavar="KIND", default=[])
    parser.add_argument("--seconds", type=float, default=6.0)
    parser.add_argument("--count", type=int, default=1100)
    parser.add_argument("--nofile", type=int, default=1024, help="the daemon's soft limit of open files")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for kind in chosen.kinds or KINDS:
            if kind == "mqtt" and shutil.which("mosquitto") is None:
                print("mqtt: no Mosquitto here")
                continue
            one_kind(kind, chosen, Path(folder) / kind)


def one_kind(kind: str, chosen: argparse.Namespace, folder: Path) -> None:
    with contextlib.suppress(OSError):
        Path("/proc/self/autogroup").write_text(str(NICE))
    frames = Frames()
    frames.start()
    tls = kind.startswith("handshake")
    with _broker(kind) as port, Up(folder, frames.port, chosen.nofile, port, tls) as up:
        time.sleep(2)
        quiet = watch(up, frames, 3.5)
        lines, size = up.log_lines(), up.log.stat().st_size
        with flood(up, kind, chosen.count):
            time.sleep(2)
            told = watch(up, frames, chosen.seconds)
        grown = f"log {up.log_lines() - lines} lines, {(up.log.stat().st_size - size) / 1e6:.1f} MB"
    print(f"{'(quiet)':18} {quiet}\n{kind:18} {told}  {grown}", flush=True)


@contextlib.contextmanager
def _broker(kind: str) -> Iterator[int | None]:
    if kind != "mqtt":
        yield None
        return
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    broker = subprocess.Popen(["mosquitto", "-p", str(port)], stderr=subprocess.DEVNULL)
    try:
        time.sleep(0.5)
        yield port
    finally:
        broker.terminate()
        broker.wait()


if __name__ == "__main__":
    main()
