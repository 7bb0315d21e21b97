"""Five thousand questions that schemathesis makes from the OpenAPI document, right and wrong.

    python tests/bench/ask_by_schema.py [--inputs 5000] [--seed 1]

All of its checks must hold of each answer, no answer is a 5xx, what was refused changed nothing, and the
daemon's log has no traceback. Input that follows no document comes from `fuzz.py`.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.errors import Unsatisfiable

from bench.own_daemon import OwnDaemon
from contract.asked_by_schema import asks
from protocol.studio import RIG


class Up(OwnDaemon):
    """One kept connection to it."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, RIG)
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


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--inputs", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    seen: Counter[int] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        start = time.monotonic()
        with Up(Path(folder)) as up:
            asked = by_document(up, chosen.inputs, chosen.seed, seen)
        log = up.log.read_text("utf-8", "replace")
        assert "Traceback" not in log, log[max(0, log.index("Traceback") - 300) :][:4000]
    told = ", ".join(f"{status}: {number}" for status, number in sorted(seen.items()))
    print(f"{asked} questions in {time.monotonic() - start:.0f} s; {told}")


if __name__ == "__main__":
    main()
