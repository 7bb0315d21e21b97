"""A hundred thousand questions to the HTTP door and its WebSocket, by its own document and by garbage.

    python tests/bench/fuzz_http.py [--inputs 100000] [--seed 1]

A twentieth is made by schemathesis from the OpenAPI document, right ones and wrong; all of its checks must
hold of each answer. The rest is made by hand: orders with parts of others, numbers beyond all bounds, bytes
that are no JSON, torn requests, and frames on the WebSocket that no client sends. After each that was refused
the light that is wanted is as before; no answer is a 5xx; the daemon's log has no traceback.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import os
import random
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.errors import Unsatisfiable

from contract.asked_by_schema import asks, wanted_of
from fillside.calibration.orders import METER_ORDERS
from fillside.hold.orders import ORDERS

RIG = """
[rig]
name = "fuzz"
[camera]
position = [0.0, -2.4, 1.4]
iso = 400
shutter = "1/50"
aperture = 4.0
[marks]
chair = [0.0, 0.0, 1.2]
desk = [0.6, 0.3, 1.25]
[[heads]]
name = "key"
role = "key"
position = [1.1, -1.0, 1.9]
intensity = 3800
drive = { driver = "wire", bits = 16 }
[[heads]]
name = "fill"
role = "fill"
position = [-1.3, -1.2, 1.6]
intensity = 2600
drive = { driver = "wire", bits = 16 }
[drivers.wire]
kind = "sim"
"""
NUMBERS = (0, -0.0, 1, -1, 0.5, 2**31, 2**63, 2**64, 1e308, -1e308, 5e-324, 1e15, 10**400, -7)
TEXTS = (
    "",
    "fill",
    "key",
    "chair",
    "out",
    "camera",
    "3:1",
    "1:0",
    "-1/3",
    "1/0",
    "1 stop",
    "\0",
    "é" * 200,
    "NaN",
)
RAW = (
    b"",
    b"{",
    b"[]",
    b"nul",
    b"\xff\xfe",
    b'{"do": NaN}',
    b'{"do":"dark","do":"follow"}',
    b"[" * 5000,
    b"0" * 70_000,
)
CHUNK = 500


class Up:
    """A daemon of its own, and one kept connection to it."""

    def __init__(self, folder: Path) -> None:
        rig = folder / "fuzz.toml"
        rig.write_text(RIG)
        self.log = folder / "log"
        command = [sys.executable, "-c", "from fillside.interfaces.cli import main; main()", "run", str(rig)]
        command += ["--listen", "127.0.0.1:0", "--data", str(folder / "data")]
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(command, stderr=log)
        deadline = time.monotonic() + 60
        while b"http://" not in (said := self.log.read_bytes()):
            assert time.monotonic() < deadline, said
            time.sleep(0.1)
        self.url = next(word for word in said.decode().split() if word.startswith("http://"))
        self.port = int(self.url.rsplit(":", 1)[1])
        self._door = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)

    def ask(self, method: str, path: str, body: bytes | None = None) -> tuple[int, Any]:
        """Status and body of an answer; a connection that was ended while idle is made again."""
        try:
            return self._ask(method, path, body)
        except http.client.RemoteDisconnected:
            self._door.close()
            return self._ask(method, path, body)

    def _ask(self, method: str, path: str, body: bytes | None) -> tuple[int, Any]:
        self._door.request(method, path, body, {"Content-Type": "application/json"})
        response = self._door.getresponse()
        text = response.read()
        is_json = "json" in (response.getheader("Content-Type") or "")
        return response.status, json.loads(text) if is_json else text

    def state(self) -> dict[str, Any]:
        state: dict[str, Any] = self.ask("GET", "/api/v1/state")[1]
        return state


def by_document(up: Up, inputs: int, chosen_seed: int, seen: Counter[int]) -> int:
    """Questions that schemathesis makes, shared evenly among the routes; how many."""
    document = up.ask("GET", "/api/openapi.json")[1]
    schema = schemathesis.openapi.from_dict(document)
    operations = [result.ok() for result in schema.get_all_operations()]
    asked = 0
    for operation in operations:
        weight = 6 if operation.path == "/api/v1/do" else 1
        each = max(1, inputs * weight // (len(operations) + 5))
        for strategy in (operation.as_strategy(), operation.as_strategy(generation_mode=NEGATIVE)):
            asked += _ask_all(strategy, each // 2, up, chosen_seed, seen)
    return asked


NEGATIVE = schemathesis.GenerationMode.NEGATIVE


def _ask_all(strategy: Any, count: int, up: Up, chosen_seed: int, seen: Counter[int]) -> int:
    asked = 0

    @seed(chosen_seed)
    @settings(
        max_examples=max(1, count),
        deadline=None,
        database=None,
        phases=[Phase.generate, Phase.shrink],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=strategy)
    def run(case: Any) -> None:
        nonlocal asked
        asked += 1
        seen[asks(case, up.url, up.state)] += 1

    # Some routes have nothing that could be asked wrongly.
    with contextlib.suppress(Unsatisfiable):
        run()
    return asked


def by_hand(up: Up, inputs: int, dice: random.Random, seen: Counter[int]) -> int:
    """Orders that nobody should give, by one kept connection; how many."""
    words = [*ORDERS, *METER_ORDERS, "flash", ""]
    names = sorted(
        {name for model in (ORDERS | METER_ORDERS).values() for name in model.model_fields} - {"do"}
    )
    before = wanted_of(up.state())
    for _ in range(inputs):
        body = _body(dice, words, names)
        status, answer = up.ask("POST", "/api/v1/do", body)
        seen[status] += 1
        assert status < 500, (body, answer)
        if status == 200:
            before = wanted_of(up.state())
            continue
        assert set(answer["error"]) == {"code", "message", "where"}, (body, answer)
        assert wanted_of(up.state()) == before, body
    return inputs


def _body(dice: random.Random, words: list[str], names: list[str]) -> bytes:
    if dice.random() < 0.1:
        return dice.choice(RAW)
    said = {"do": dice.choice(words)}
    said |= {dice.choice(names): _value(dice) for _ in range(dice.randrange(4))}
    body = json.dumps(said).encode("ascii")
    if dice.random() < 0.1:
        cut = dice.randrange(len(body))
        return body[:cut] + dice.randbytes(dice.randrange(4)) + body[cut + dice.randrange(3) :]
    return body


def _value(dice: random.Random, depth: int = 0) -> Any:
    kind = dice.randrange(7 if depth < 2 else 4)
    if kind == 0:
        return dice.choice(NUMBERS)
    if kind == 1:
        return dice.choice(TEXTS)
    if kind == 2:
        return dice.choice((True, False, None))
    if kind == 3:
        return dice.uniform(-10, 10)
    if kind == 4:
        return [_value(dice, depth + 1) for _ in range(dice.randrange(5))]
    if kind == 5:
        return {dice.choice(TEXTS): _value(dice, depth + 1) for _ in range(dice.randrange(3))}
    return [dice.uniform(-3, 3) for _ in range(3)]


def torn(up: Up, inputs: int, dice: random.Random, seen: Counter[int]) -> int:
    """Requests that are none, and frames on the WebSocket that no client sends; how many."""
    for number in range(inputs):
        with socket.create_connection(("127.0.0.1", up.port), timeout=30) as bare:
            bare.sendall(_frames(dice) if number % 2 else _request(dice))
            # Whoever is not answered within this has sent half a request, or looks on.
            bare.settimeout(0.05)
            answer = b""
            with contextlib.suppress(ConnectionError, TimeoutError):
                while chunk := bare.recv(65536):
                    answer += chunk
        first = answer.partition(b"\r\n")[0].split(b" ")
        status = int(first[1]) if len(first) > 1 and first[1].isdigit() else 0
        seen[status] += 1
        assert status < 500, answer[:300]
    return inputs


def _request(dice: random.Random) -> bytes:
    whole = (
        b"POST /api/v1/do HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
        b'Content-Length: 16\r\nConnection: close\r\n\r\n{"do": "follow"}'
    )
    body = bytearray(whole)
    for _ in range(dice.randrange(1, 6)):
        body[dice.randrange(len(body))] = dice.randrange(256)
    return bytes(body[: dice.randrange(1, len(body) + 1)])


def _frames(dice: random.Random) -> bytes:
    opening = (
        b"GET /api/v1/live HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
    )
    # RFC 6455, 5.2: any opcode, any length, masked or not, and often less than was announced.
    frames = [
        bytes([dice.randrange(256), dice.randrange(256)]) + os.urandom(dice.randrange(40))
        for _ in range(dice.randrange(4))
    ]
    # A close frame, so that a daemon that is still listening lets go at once.
    return opening + b"".join(frames) + bytes([0x88, 0x80, 0, 0, 0, 0])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        up = Up(Path(folder))
        try:
            ask_everything(up, chosen.inputs, chosen.seed)
        finally:
            up.process.terminate()
            up.process.wait()
            log = up.log.read_text("utf-8", "replace")
            if "Traceback" in log:
                print(log[max(0, log.index("Traceback") - 300) :][:4000])
        assert "Traceback" not in log, "the daemon's log has a traceback"
    print("no 5xx, no traceback, and nothing that was refused changed what is wanted")


def ask_everything(up: Up, inputs: int, chosen_seed: int) -> None:
    """A twentieth by the document, as much torn, and all the rest by hand."""
    dice, left = random.Random(chosen_seed), inputs
    parts: tuple[tuple[str, Callable[[int, Counter[int]], int], float], ...] = (
        ("by the document", lambda count, seen: by_document(up, count, chosen_seed, seen), 0.05),
        ("torn", lambda count, seen: torn(up, count, dice, seen), 0.05),
        ("by hand", lambda count, seen: by_hand(up, count, dice, seen), 1.0),
    )
    for name, part, share in parts:
        seen: Counter[int] = Counter()
        start = time.monotonic()
        asked = part(min(left, int(inputs * share)), seen)
        left -= asked
        told = ", ".join(f"{status}: {number}" for status, number in sorted(seen.items()))
        print(f"{name:16} {asked:7d} inputs in {time.monotonic() - start:6.1f} s; {told}", flush=True)


if __name__ == "__main__":
    main()
