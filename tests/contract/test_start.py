"""Contract: a start loads what holding the light needs, and the rest once somebody asks for it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from fillside.daemon.composition import Running
from fillside.orders.answers import Refusal
from fillside.orders.parsing import parse_order
from fillside.storage.records.journal import Visitor
from protocol.studio import running
from rigs import kitchen_table, toml

HERE = Visitor("somebody", "test")
LATE = (
    "aiomqtt",
    "fillside.metering.routine.steps",
    "fillside.demo",
    "fillside.doors.http.openapi",
    "fillside.doors.mqtt.listener",
    "fillside.doors.osc.listener",
    "fillside.metering.orders",
    "fillside.orders.metering",
    "fillside.planning",
    "fillside.sheet",
    "fillside.storage.repair.salvage",
    "markdown_it",
    "matplotlib",
    "multiprocessing",
    "paho",
    "pythonosc",
    "scipy",
    "segno",
    "serial",
)
"""Packages and modules that only some studios need, and only at times."""
STARTS = """
import asyncio, json, sys
from pathlib import Path
from fillside.access.tokens import TokenFile
from fillside.daemon.composition import Settings, daemon
from fillside.doors.http.listening import Listen
from fillside.rig_file import load_rig

async def main(folder):
    settings = Settings(folder / "data", folder / "tokens", Listen(port=0))
    async with daemon(load_rig(folder / "rig.toml"), settings):
        print(json.dumps(sorted(sys.modules)))

asyncio.run(main(Path(sys.argv[1])))
"""


def test_a_start_loads_nothing_that_only_some_studios_need(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(toml(kitchen_table()))
    done = subprocess.run(
        [sys.executable, "-c", STARTS, str(tmp_path)], capture_output=True, text=True, check=True
    )
    loaded = json.loads(done.stdout)
    assert [name for name in loaded if any(f"{name}.".startswith(f"{late}.") for late in LATE)] == []


def test_the_wires_do_not_wait_for_the_library_of_the_http_door() -> None:
    script = """
import json, sys
import fillside.daemon.composition, fillside.rig_file, fillside_drivers.sacn.sender
print(json.dumps(sorted(name for name in sys.modules if "." not in name)))
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert {"aiohttp", "prometheus_client", "yarl"} & set(json.loads(done.stdout)) == set()


def metered(up: Running) -> dict[str, Any]:
    state = up.runner.state()
    return {name: state[name] for name in ("routine", "daylight", "drift")}


async def test_metering_is_there_with_its_first_order(tmp_path: Path) -> None:
    async with running(tmp_path) as up:
        assert metered(up) == {"routine": None, "daylight": None, "drift": None}
        with pytest.raises(Refusal, match="there is no reading 7"):
            await up.runner.do(parse_order({"do": "strike", "reading": 7, "why": "a slip"}), HERE)
        await up.runner.do(parse_order({"do": "calibrate", "act": "start"}), HERE)
        assert metered(up)["routine"]["routine"] == "calibrate"
    async with running(tmp_path) as up:
        assert metered(up)["routine"]["routine"] == "calibrate"


async def test_a_sensor_of_the_rig_is_shown_before_it_speaks(tmp_path: Path) -> None:
    async with running(tmp_path, "[sensors.window]\n") as up:
        assert metered(up)["daylight"]["sensor"] == "window"


async def test_the_document_of_the_interface_is_made_for_who_asks(tmp_path: Path) -> None:
    async with running(tmp_path) as up, aiohttp.ClientSession() as session:
        texts = []
        for _ in range(2):
            async with session.get(up.url + "/api/openapi.json") as response:
                texts.append(await response.text())
    assert texts[0] == texts[1]
    assert "/api/v1/do" in json.loads(texts[0])["paths"]
