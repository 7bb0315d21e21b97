"""Contract: the OpenAPI document says what the HTTP door does: all of it, and nothing else.

The document is checked by openapi-spec-validator; schemathesis asks whatever it allows, and what it does not.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from openapi_spec_validator import OpenAPIV31SpecValidator

from contract.asked_by_schema import asks
from fillside.daemon.composition import Settings, daemon
from fillside.demo.play import demo_studio
from fillside.doors.http.app import ROUTES
from fillside.doors.http.listening import Listen
from fillside.doors.http.openapi import document, plain_path
from fillside.doors.http.payloads import ROUTE_PAYLOADS
from fillside.doors.http.responses import STATUS_OF_CODE

DOCUMENT = document(ROUTES, "1")
schema = schemathesis.openapi.from_dict(DOCUMENT)


class Elsewhere:
    """A daemon on a thread and an event loop of its own, for a client that waits."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._loop = asyncio.new_event_loop()
        self._up, self._end = threading.Event(), asyncio.Event()
        self._thread = threading.Thread(target=self._loop.run_until_complete, args=(self._run(),))
        self._thread.start()
        assert self._up.wait(20)

    async def _run(self) -> None:
        where = Settings(self._folder, self._folder / "tokens.json", Listen(port=0))
        async with daemon(demo_studio(), where) as self.running:
            self._up.set()
            await self._end.wait()

    def state(self) -> dict[str, Any]:
        async def asked() -> dict[str, Any]:
            return self.running.runner.state()

        return asyncio.run_coroutine_threadsafe(asked(), self._loop).result(10)

    def end(self) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(20)
        self._loop.close()


@pytest.fixture(scope="module")
def elsewhere(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Elsewhere]:
    there = Elsewhere(tmp_path_factory.mktemp("openapi"))
    yield there
    there.end()


def test_it_is_openapi_3_1() -> None:
    OpenAPIV31SpecValidator(DOCUMENT).validate()


def test_every_route_is_in_it_and_no_other() -> None:
    routes = {f"{route.method} {plain_path(route.path)}" for route in ROUTES}
    told = {f"{method.upper()} {path}" for path, entry in DOCUMENT["paths"].items() for method in entry}
    assert routes == told == set(ROUTE_PAYLOADS)


def test_every_code_of_a_refusal_is_in_it() -> None:
    told = DOCUMENT["components"]["schemas"]["FaultPayload"]["properties"]["code"]["enum"]
    assert told == [*STATUS_OF_CODE, "internal"]


@pytest.mark.parametrize(
    ("word", "said", "right"),
    [
        ("Trim", {"do": "trim", "role": "fill", "by": -1}, True),
        ("Trim", {"do": "trim", "role": "fill", "by": "-1/3"}, True),
        ("Trim", {"do": "trim", "role": "hair", "to": "out"}, True),
        ("Trim", {"do": "trim", "role": "fill", "by": 1, "to": 1}, False),
        ("Trim", {"do": "trim", "role": "fill"}, False),
        ("Trim", {"do": "trim", "role": "fill", "by": 13}, False),
        ("Trim", {"role": "fill", "by": 1}, False),
        ("Move", {"do": "move", "mark": "desk"}, True),
        ("Move", {"do": "move", "mark": "desk", "to": [0, 0, 1]}, False),
        ("Follow", {"do": "follow"}, True),
        ("Follow", {"do": "follow", "now": True}, False),
    ],
)
def test_the_schema_of_an_order_is_as_strict_as_the_order(word: str, said: Any, right: bool) -> None:
    schemas = {"components": DOCUMENT["components"], **DOCUMENT["components"]["schemas"][word]}
    assert jsonschema.Draft202012Validator(schemas).is_valid(said) is right


@schema.parametrize()
@settings(
    max_examples=10,
    derandomize=True,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
def test_whatever_is_asked_is_answered_as_documented(case: Any, elsewhere: Elsewhere) -> None:
    asks(case, elsewhere.running.url, elsewhere.state)
