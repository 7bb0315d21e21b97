"""Contract: `/metrics` in Prometheus' text form, read back by its own parser; names by its conventions.

The conventions are those of prometheus.io, "Metric and label naming": one prefix, base units in the plural,
`_total` on counters and on nothing else, no unit twice.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import AsyncIterator
from pathlib import Path

import aiohttp
import pytest
from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families as open_metrics
from prometheus_client.parser import text_string_to_metric_families

from fillside.daemon.composition import Running, Settings, daemon
from fillside.demo.play import demo_studio
from fillside.doors.http.listening import Listen
from fillside.hold.events import HeadBack, HeadDisobeys


@pytest.fixture(scope="module")
async def up(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Running]:
    folder = tmp_path_factory.mktemp("metrics")
    async with daemon(demo_studio(), Settings(folder, folder / "tokens.json", Listen(port=0))) as running:
        yield running


async def do(up: Running, **order: object) -> int:
    async with (
        aiohttp.ClientSession() as session,
        session.post(
            up.url + "/api/v1/do", data=json.dumps(order), headers={"Content-Type": "application/json"}
        ) as response,
    ):
        return response.status


async def read(up: Running, accept: str = "text/plain") -> str:
    async with (
        aiohttp.ClientSession(headers={"Accept": accept}) as session,
        session.get(up.url + "/metrics") as response,
    ):
        assert response.status == 200
        assert response.content_type == accept.partition(";")[0]
        return await response.text()


async def families(up: Running) -> dict[str, Metric]:
    return {family.name: family for family in text_string_to_metric_families(await read(up))}


def value(found: dict[str, Metric], name: str, sample: str = "", **labels: str) -> float:
    for each in found[name].samples:
        if each.name == (sample or name) and labels.items() <= each.labels.items():
            return each.value
    raise AssertionError(f"{name} {labels} has no sample")


async def test_the_light_is_told_as_the_state_tells_it(up: Running) -> None:
    found, now = await families(up), up.runner.state()["achieved"]
    assert value(found, "fillside_ratio_error_stops") == pytest.approx(now["ratio_error_stops"], abs=0.5)
    assert value(found, "fillside_exposure_lux") > 0
    assert value(found, "fillside_mode", fillside_mode="follow") == 1
    assert value(found, "fillside_mode", fillside_mode="dark") == 0
    assert value(found, "fillside_heads") == len(up.rig.heads)
    assert value(found, "fillside_heads_lost") == 0
    assert value(found, "fillside_storage_ok") == 1


async def test_the_light_has_its_uncertainty(up: Running) -> None:
    found = await families(up)
    for what in ("ratio", "exposure", "face"):
        # By labels alone nothing is known to better than a good part of a stop, of dim lamps next to nothing.
        assert 0.5 < value(found, f"fillside_{what}_uncertainty_stops") < 100


async def test_orders_and_refusals_are_counted_and_timed(up: Running) -> None:
    before = await families(up)
    assert await do(up, do="trim", role="fill", by=-1) == 200
    assert await do(up, do="trim", role="nobody", by=-1) == 404
    assert await do(up, do="undo") == 200
    after = await families(up)

    def more(family: str, sample: str) -> float:
        return value(after, family, sample) - value(before, family, sample)

    assert more("fillside_orders", "fillside_orders_total") == 2
    assert more("fillside_order_latency_seconds", "fillside_order_latency_seconds_count") == 2
    assert more("fillside_order_latency_seconds", "fillside_order_latency_seconds_sum") > 0
    refused = value(after, "fillside_orders_refused", "fillside_orders_refused_total", code="unknown_name")
    assert refused == 1


async def test_wires_say_how_they_are_and_what_they_sent(up: Running) -> None:
    found = await families(up)
    for name, driver in up.drivers.items():
        assert value(found, "fillside_driver_state", driver=name, fillside_driver_state="ok") == 1
        assert value(found, "fillside_driver_state", driver=name, fillside_driver_state="lost") == 0
        sent = value(found, "fillside_frames_sent", "fillside_frames_sent_total", driver=name)
        assert 0 < sent <= driver.health.frames_sent


async def test_heads_say_how_they_are_and_since_when(up: Running) -> None:
    up.runner.event(HeadDisobeys("fill", 9))
    try:
        found = await families(up)
        assert value(found, "fillside_head_state", head="fill", fillside_head_state="disobeying") == 1
        assert value(found, "fillside_head_state", head="fill", fillside_head_state="ok") == 0
        assert value(found, "fillside_head_state", head="key", fillside_head_state="ok") == 1
        since = value(found, "fillside_head_state_since_seconds", head="fill")
        assert 0 <= time.time() - since < 60
        earlier = value(found, "fillside_driver_state_since_seconds", driver="room")
        assert earlier < since
    finally:
        up.runner.event(HeadBack("fill"))


async def test_readers_are_counted(up: Running) -> None:
    async with up.runner.live.join():
        assert value(await families(up), "fillside_live_readers") == 1
    assert value(await families(up), "fillside_live_readers") == 0


async def test_names_keep_the_conventions(up: Running) -> None:
    for name, family in (await families(up)).items():
        if name.startswith("process_"):
            continue
        assert re.fullmatch(r"fillside(_[a-z]+)+", name), name
        assert family.documentation, name
        assert (family.type == "counter") == any(s.name.endswith("_total") for s in family.samples) or (
            family.type == "counter" and not family.samples
        )
        if family.type == "histogram":
            assert name.endswith("_seconds")


async def test_it_speaks_openmetrics_to_who_asks_for_it(up: Running) -> None:
    text = await read(up, "application/openmetrics-text; version=1.0.0")
    assert text.endswith("# EOF\n")
    assert "fillside_ratio_error_stops" in {family.name for family in open_metrics(text)}


async def test_two_daemons_in_one_process_count_apart(up: Running, tmp_path: Path) -> None:
    await do(up, do="follow")
    async with daemon(demo_studio(), Settings(tmp_path, tmp_path / "t.json", Listen(port=0))) as other:
        found = await families(other)
        assert value(found, "fillside_orders", "fillside_orders_total") == 0


async def test_a_version_that_is_none_gets_the_plain_form(up: Running) -> None:
    for version in ("x", "1.x", "1.0.0; version=x"):
        accept = f"text/plain; q=0.1, application/openmetrics-text; version={version}"
        assert "fillside_build_info" in await read(up, accept)
