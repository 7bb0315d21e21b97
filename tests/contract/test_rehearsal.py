"""Contract: a rig of any wire is rehearsed by changing the word after `kind`, and nothing else."""

from __future__ import annotations

import datetime
import importlib.metadata
import pickle
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import pytest
from pydantic import Field

from fillside.metering.simulated_meter import truth_of
from fillside.rig.file.build import build_rig
from fillside.rig.problems import Problem
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from fillside_drivers import registry
from fillside_drivers.driver import DriveModel, OptionsModel
from fillside_drivers.registry import DriverKind, build
from manual_text import PAGES, ROOT
from protocol.wires import WHO, loop_clock
from rigs import CAMERA, Table, head_at, studio

WITH_SLOTS = sorted((ROOT / "config").glob("*.toml"))
EXAMPLES = [*WITH_SLOTS, ROOT / "service/fillside/demo/studio.toml"]
MODE = {"file": "spot.gdtf", "mode": "Plain", "dimmer": (1, 2), "held": {"4": 255}}


class _LanternOptions(OptionsModel):
    host: str
    seed: Annotated[int, Field(ge=5)] = 5


class _LanternDrive(DriveModel):
    hook: Annotated[int, Field(ge=1, le=9)]
    depth: Annotated[int, Field(ge=10, le=12)] = 10

    @property
    def full_scale(self) -> int:
        return int(2**self.depth - 1)

    def claims(self) -> tuple[int, ...]:
        return (self.hook,)


LANTERN = DriverKind("lantern", _LanternOptions, _LanternDrive, "nowhere:Lantern")


class _Point:
    name, value = "lantern", "elsewhere:LANTERN"

    def load(self) -> DriverKind:
        return LANTERN


@pytest.fixture
def kinds(monkeypatch: pytest.MonkeyPatch) -> dict[str, DriverKind]:
    """The registry with a kind of an outside package, one of whose keys the simulation has too."""
    monkeypatch.setattr(importlib.metadata, "entry_points", lambda group: [_Point()])
    found = dict(registry.kinds.__wrapped__())
    monkeypatch.setattr(registry, "kinds", lambda: found)
    return found


SACN: list[tuple[Table, Table]] = [
    ({}, {"universe": 1, "slot": 511, "bits": 16}),
    (
        {
            "to": ["127.0.0.1", "multicast"],
            "priority": 120,
            "interface": "127.0.0.1",
            "ttl": 2,
            "source_name": "north",
            "universes": {"7": {"to": ["node-7:5569"], "priority": 90, "source_name": "seven"}},
            "sync_address": 9,
            "preview": True,
            "discovery": False,
            "listen": True,
            "yields": True,
        },
        {"universe": 7, "slot": 3, "bits": 16, "fixed": {"9": 255}},
    ),
    ({"priority": 90}, {"universe": 2, "slot": 10, "gdtf": MODE, "mode": "Plain"}),
    ({"priority": 90}, {"universe": 2, "slot": 10, "cool_slot": 12}),
]
SERIAL: list[tuple[Table, Table]] = [
    ({"device": "/dev/serial/by-id/none", "slots": 100, "rate_hz": 30.0}, {"slot": 99, "bits": 16}),
    ({"device": "x"}, {"slot": 10, "gdtf": MODE, "mode": "Plain", "fixed": {"20": 1}}),
    ({"device": "x"}, {"slot": 10, "cool_slot": 12}),
]
MQTT: list[tuple[Table, Table]] = [
    (
        {
            "broker": "192.0.2.5",
            "port": 8884,
            "tls": True,
            "ca_file": "/nowhere/ca.pem",
            "certificate_file": "/nowhere/own.pem",
            "key_file": "/nowhere/own.key",
            "user_from": "env:FILLSIDE_TEST_NOBODY",
            "password_from": "file:/nowhere/password",
            "keepalive_s": 5,
            "version": "3.1.1",
        },
        {
            "send_to": "desk/left/set",
            "send_as": '{"level": {code}}',
            "full_scale": 254,
            "on_as": "on",
            "out_as": "off",
            "switch_to": "desk/left/switch",
            "fade_field": "over",
            "cct_field": "white",
            "cct_as": "mired",
            "reports_at": "desk/left",
            "reports_field": "level",
            "ask_to": "desk/left/get",
            "ask_as": "?",
            "alive_at": "desk/left/alive",
            "alive_as": "here",
            "comes_back": "kept",
            "most_per_s": 4.0,
            "latency_s": 0.1,
        },
    ),
    ({}, {"homie": "lamp/light/level", "homie_domain": "home", "full_scale": 100}),
]
WRITTEN: dict[str, list[tuple[Table, Table]]] = {
    "sacn": SACN,
    "dmx-serial": SERIAL,
    "mqtt": MQTT,
    "lantern": [({"host": "here", "seed": 6}, {"hook": 3, "depth": 12})],
}
"""Tables of each kind; between them they have every key that the kind takes."""
EACH = [(kind, options, drive) for kind, pairs in WRITTEN.items() for options, drive in pairs]


def rig(kind: str, options: Table, *drives: Table) -> Table:
    lamp = {"kind": "led", "cct": [2700, 6500]}
    heads = [
        head_at(
            f"h{place}",
            [1.0, -1.0 - place, 1.8],
            role="key",
            intensity=900.0,
            **({"lamp": lamp} if "cool_slot" in drive or "cct_field" in drive else {}),
            drive={"driver": "wire", **drive},
        )
        for place, drive in enumerate(drives)
    ]
    camera, balance = {"position": CAMERA["position"]}, {"exposure": 400.0, "cct": 4000.0}
    return studio(camera=camera, balance=balance, heads=heads, drivers={"wire": {"kind": kind, **options}})


def checked(data: Table, kinds: dict[str, DriverKind]) -> Rig:
    made, problems = build_rig(data, kinds)
    assert made is not None, problems
    return made


def wires(rig: Rig) -> dict[str, Any]:
    """All that the wires make of a rig, kinds and lags aside."""
    drives = rig.driver_config.drives
    return {
        "scales": {head.name: rig.full_scale_of(head) for head in rig.heads},
        "options": {
            name: read.model_dump(exclude_unset=True) for name, read in rig.driver_config.options.items()
        },
        "drives": {name: read.model_dump(exclude_unset=True) for name, read in drives.items()},
        "claims": {name: read.claims() for name, read in drives.items() if isinstance(read, DriveModel)},
        "whites": {name: read.whites for name, read in drives.items() if isinstance(read, DriveModel)},
    }


def test_every_key_of_every_kind_is_written_here(kinds: dict[str, DriverKind]) -> None:
    assert set(WRITTEN) | {"sim"} == set(kinds)
    for kind, pairs in WRITTEN.items():
        assert {key for options, _ in pairs for key in options} == set(kinds[kind].options.model_fields)
        assert {key for _, drive in pairs for key in drive} == set(kinds[kind].drive.model_fields)


@pytest.mark.parametrize(("kind", "options", "drive"), EACH)
def test_what_checks_as_its_kind_checks_as_simulated_to_the_same(
    kinds: dict[str, DriverKind], kind: str, options: Table, drive: Table
) -> None:
    real = checked(rig(kind, options, drive), kinds)
    assert wires(checked(rig("sim", options, drive), kinds)) == wires(real)


@pytest.mark.parametrize(("kind", "options", "drive"), EACH)
def test_what_is_wrong_for_its_kind_is_wrong_when_simulated_in_the_same_words(
    kinds: dict[str, DriverKind], kind: str, options: Table, drive: Table
) -> None:
    bad = [rig(kind, options, drive, drive)]
    for key in options:
        bad += [rig(kind, changed, drive) for changed in _spoilt(options, key)]
    for key in drive:
        bad += [rig(kind, options, changed) for changed in _spoilt(drive, key)]
    for data in bad:
        if (found := _first_of_all(data, kinds)) is not None:
            data["drivers"]["wire"]["kind"] = "sim"
            assert _first_of_all(data, kinds) == found


def _spoilt(table: Table, key: str) -> Iterator[Table]:
    """The table with one key of another type, and with that key misspelt."""
    yield {**table, key: datetime.date(2026, 1, 1)}
    yield {f"{name}_" if name == key else name: value for name, value in table.items()}


def _first_of_all(data: Table, kinds: dict[str, DriverKind]) -> list[Problem] | None:
    made, problems = build_rig(data, kinds)
    assert (made is None) == bool(problems)
    return problems or None


@pytest.mark.parametrize(
    ("options", "drive", "says"),
    [
        ({"priorty": 100}, {"universe": 1, "slot": 1}, 'did you mean "priority"?'),
        ({"priority": 201}, {"universe": 1, "slot": 1}, "must be at most 200, not 201"),
        ({"sed": 1}, {"slot": 1}, 'did you mean "seed"?'),
        ({}, {"send_to": "a", "fullscale": 3}, 'did you mean "full_scale"?'),
        ({}, {"slot": 1, "truth": {"exponnt": 2.0}}, 'did you mean "exponent"?'),
        ({"broker": "b", "noise_stops": -1.0}, {"send_to": "a"}, "must be at least 0"),
    ],
)
def test_a_word_that_nobody_takes_is_refused_with_the_nearest(
    kinds: dict[str, DriverKind], options: Table, drive: Table, says: str
) -> None:
    made, problems = build_rig(rig("sim", options, drive), kinds)
    assert made is None
    assert [says in problem.message for problem in problems] == [True]


def test_one_table_is_of_one_wire(kinds: dict[str, DriverKind]) -> None:
    assert build_rig(rig("sim", {"to": ["127.0.0.1"]}, {"send_to": "a"}), kinds)[0] is None


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_examples_are_rehearsed_and_those_with_slots_go_back(path: Path) -> None:
    def of(kind: str) -> Rig:
        text = re.sub('kind = "(sacn|sim)"', f'kind = "{kind}"', path.read_text("utf-8"))
        text = text if kind == "sim" else re.sub(r"(?m)^seed = .*$", "", text)
        return load_rig_text(text, kinds=registry.kinds())

    rehearsed = of("sim")
    assert {table.kind for table in rehearsed.drivers.values()} == {"sim"}
    if path in WITH_SLOTS:
        assert wires(of("sacn"))["drives"] == wires(rehearsed)["drives"]


def test_what_the_manual_shows_of_drives_can_be_rehearsed(kinds: dict[str, DriverKind]) -> None:
    text = "\n".join(page for name, page in PAGES.items() if name != "drivers")
    inline = re.findall(r"^ *(drive = \{.*\}) *$", text, re.MULTILINE)
    tables = re.findall(r"^\[heads\.drive\].*?\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
    assert len(inline) >= 2
    assert len(tables) >= 1
    for said in (*(tomllib.loads(line)["drive"] for line in inline), *map(tomllib.loads, tables)):
        drive = said | ({"gdtf": {**MODE, "mode": said["mode"]}} if "gdtf" in said else {})
        kind = {"stage": "sacn", "bulbs": "mqtt"}[drive.pop("driver")]
        assert wires(checked(rig("sim", {}, drive), kinds)) == wires(checked(rig(kind, {}, drive), kinds))


async def test_nothing_outside_needs_to_be_there() -> None:
    options, drive = MQTT[0]
    simulated = {**options, "noise_stops": 0.1, "ambient_lux": 30.0}
    driver = build("bulbs", "sim", simulated, {"key": drive}, clock=loop_clock, identity=WHO)
    async with driver:
        driver.send({"key": 254})
        assert driver.health.state == "ok"


def test_a_rehearsed_fade_is_as_slow_as_the_bulb_and_lags_behind_nothing() -> None:
    for options, drive in MQTT:
        as_kind = (
            build("w", kind, options, {"key": drive}, clock=loop_clock, identity=WHO)
            for kind in ("mqtt", "sim")
        )
        real, sim = (driver.channels["key"].drive.timing for driver in as_kind)
        assert sim.fastest_stops_s == real.fastest_stops_s
        assert (sim.lead_s, sim.latency_s) == (0.0, 0.0) != (real.lead_s, real.latency_s)


@pytest.mark.parametrize(("options", "drive"), [SACN[1], MQTT[0], ({}, {"bits": 16})])
def test_a_rehearsed_rig_goes_to_another_process_and_comes_back_the_same(
    options: Table, drive: Table
) -> None:
    made = checked(rig("sim", options, drive), dict(registry.kinds()))
    again = pickle.loads(pickle.dumps(made))
    assert again == made
    assert again.driver_config == made.driver_config


def test_the_simulations_own_keys_stand_beside_those_of_the_wire(kinds: dict[str, DriverKind]) -> None:
    options, drive = MQTT[1]
    own = {"noise_stops": 0.2, "window_lux": 90.0, "seed": 3}
    made = checked(rig("sim", {**options, **own}, {**drive, "truth": {"output_factor": 0.7}}), kinds)
    truth = truth_of(made)
    assert (truth.noise_stops, truth.window_lux, truth.seed) == (0.2, 90.0, 3)
    assert truth.heads[0].output_factor == 0.7
    lantern = checked(rig("sim", {"host": "h", "seed": 7, "window_lux": 5.0}, {"hook": 1}), kinds)
    assert (truth_of(lantern).seed, truth_of(lantern).window_lux) == (0, 5.0)
