"""Contract: what every kind of driver in the registry keeps, run over all of them."""

from __future__ import annotations

import asyncio
import gc
import importlib.metadata
import os
import sys
import warnings
from collections.abc import Iterator
from typing import Any

import pytest
from pydantic import BaseModel

from fillside_drivers.driver import (
    DriveModel,
    Driver,
    DriverError,
    NotAvailableError,
    OpenError,
    OperationError,
    OptionsError,
    OptionsModel,
)
from fillside_drivers.registry import DriverKind, build, kind_named, kinds
from protocol.broker import MOSQUITTO, running_broker
from protocol.wires import WHO, loop_clock

LAST_SLOTS = {"eight": {"slot": 510}, "last": {"slot": 512}}
WIDE = {"first": {"slot": 1, "bits": 16}, "wide": {"slot": 511, "bits": 16}}


@pytest.fixture
def options(kind: str, request: pytest.FixtureRequest) -> Iterator[dict[str, Any]]:
    """Options with which a kind opens on any machine, and on which nobody listens."""
    if kind == "dmx-serial":
        ours, theirs = os.openpty()
        yield {"device": os.ttyname(theirs)}
        os.close(ours)
        os.close(theirs)
    elif kind == "sacn":
        yield {"to": ["127.0.0.1:9"], "listen": False}
    elif kind == "mqtt":
        if MOSQUITTO is None and not os.environ.get("FILLSIDE_REQUIRE_PARTS"):
            pytest.skip("needs the broker of Debian's package mosquitto")
        yield {"port": request.getfixturevalue("mosquitto_port")}
    else:
        yield {}


@pytest.fixture(scope="session")
def mosquitto_port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    with running_broker(tmp_path_factory.mktemp("broker")) as port:
        yield port


def heads(kind: str, drives: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Drive tables of a kind for heads on DMX slots; a bulb has a topic in place of a slot."""
    if kind == "mqtt":
        return {name: _bulb(drive) for name, drive in drives.items()}
    return {name: {**({"universe": 1} if kind == "sacn" else {}), **drive} for name, drive in drives.items()}


def _bulb(drive: dict[str, Any]) -> dict[str, Any]:
    slot, bits, rest = drive["slot"], drive.get("bits", 8), {**drive}
    for key in ("slot", "bits"):
        rest.pop(key, None)
    beyond = slot + bits // 8 - 1 > 512 or slot < 1 or slot is True
    topic = "bulb/#" if beyond else f"bulb/{slot + bits // 8 - 1}"
    return {"send_to": topic, "full_scale": 2**bits - 1 if bits in (8, 16) else 0, **rest}


def made(kind: str, options: dict[str, Any], drives: dict[str, dict[str, Any]]) -> Driver:
    return build("stage", kind, options, heads(kind, drives), clock=loop_clock, identity=WHO)


every_kind = pytest.mark.parametrize("kind", sorted(kinds()))


@every_kind
def test_a_kind_has_models_and_a_class_that_says_its_name(kind: str) -> None:
    found = kind_named(kind)
    assert issubclass(found.options, OptionsModel)
    assert issubclass(found.drive, DriveModel)
    assert found.load().kind == kind == found.name
    assert found.load().__doc__
    for model in (found.options, found.drive):
        assert model.model_config.get("extra") == "forbid"
        assert model.model_json_schema()["additionalProperties"] is False


@every_kind
def test_unknown_options_and_drive_keys_are_errors_with_the_nearest_name(
    kind: str, options: dict[str, Any]
) -> None:
    known = sorted(kind_named(kind).options.model_fields)[0]
    place = sorted(kind_named(kind).drive.model_fields)[0]
    wrong = known + "_"
    with pytest.raises(OptionsError, match=rf"drivers\.stage\.{wrong}: .*; did you mean {known}"):
        made(kind, {**options, wrong: 1}, {})
    with pytest.raises(
        OptionsError, match=rf"heads\.key\.drive\.{place}_: there is no such option; did you mean {place}"
    ):
        made(kind, options, {"key": {"slot": 1, f"{place}_": 16}})


@every_kind
@pytest.mark.parametrize(
    "drive", [{"slot": 0}, {"slot": 513}, {"slot": 512, "bits": 16}, {"slot": 1, "bits": 9}, {"slot": True}]
)
def test_places_beyond_the_wire_are_errors(kind: str, options: dict[str, Any], drive: dict[str, Any]) -> None:
    with pytest.raises(OptionsError, match=r"heads\.key\.drive"):
        made(kind, options, {"key": drive})


@every_kind
def test_two_heads_on_one_place_are_an_error(kind: str, options: dict[str, Any]) -> None:
    with pytest.raises(OptionsError, match="key and fill are on the same place"):
        made(kind, options, {"key": {"slot": 4, "bits": 16}, "fill": {"slot": 5}})


@every_kind
async def test_extreme_codes_go_out(kind: str, options: dict[str, Any]) -> None:
    for drives, most in ((LAST_SLOTS, 255), (WIDE, 65535)):
        driver = made(kind, options, drives)
        async with driver:
            for code in (0, most, 1):
                driver.send(dict.fromkeys(drives, code))
                assert driver.codes == dict.fromkeys(drives, code)
                await asyncio.sleep(0)
            for _ in range(300):
                if driver.health.frames_sent:
                    break
                await asyncio.sleep(0.01)
            assert driver.health.state == "ok"
            assert driver.health.errors == 0
        assert driver.health.frames_sent > 0


@every_kind
async def test_wrong_frames_are_refused_whole(kind: str, options: dict[str, Any]) -> None:
    driver = made(kind, options, LAST_SLOTS)
    async with driver:
        driver.send({"eight": 7, "last": 8})
        for wrong in (256, -1, 1.0, True, None, "7", float("nan")):
            with pytest.raises(OperationError, match="last"):
                driver.send({"eight": 9, "last": wrong})  # type: ignore[dict-item]
        with pytest.raises(OperationError, match="no channel 'nobody'"):
            driver.send({"eight": 9, "nobody": 1})
        assert driver.codes == {"eight": 7, "last": 8}
        driver.send({})
        assert driver.codes == {"eight": 7, "last": 8}


@every_kind
@pytest.mark.parametrize("stay", [False, True])
async def test_closing_twice_and_using_after(kind: str, options: dict[str, Any], stay: bool) -> None:
    driver = made(kind, options, LAST_SLOTS)
    async with driver:
        driver.send({"last": 1})
        await driver.close(stay=stay)
        await driver.close()
        with pytest.raises(OperationError, match="closed"):
            driver.send({"last": 2})
    await driver.close()
    with pytest.raises(OpenError):
        await driver.__aenter__()


@every_kind
async def test_closing_before_opening(kind: str, options: dict[str, Any]) -> None:
    driver = made(kind, options, LAST_SLOTS)
    await driver.close()
    with pytest.raises(OperationError):
        driver.send({"last": 1})


@every_kind
async def test_a_driver_without_heads_opens_and_closes(kind: str, options: dict[str, Any]) -> None:
    async with made(kind, options, {}) as driver:
        driver.send({})
        assert driver.health.state == "ok"


@every_kind
async def test_watchers_hear_changes_until_they_end(kind: str, options: dict[str, Any]) -> None:
    heard: list[str] = []
    driver = made(kind, options, LAST_SLOTS)
    end = driver.watch(lambda health: heard.append(health.note))
    driver._report(state="late", note="slow")
    driver._report(state="late", note="slow")
    end()
    end()
    driver._report(state="ok", note="")
    assert heard == ["slow"]
    await driver.close()


@every_kind
def test_nothing_is_left_on_the_loop(kind: str, options: dict[str, Any]) -> None:
    """A loop of its own ends with nothing pending, and no socket or file left open warns."""

    async def use() -> set[str]:
        before = asyncio.all_tasks()
        async with made(kind, options, LAST_SLOTS) as driver:
            driver.send({"last": 1})
            await asyncio.sleep(0.03)
        return {task.get_name() for task in asyncio.all_tasks() - before}

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        with asyncio.Runner(debug=False) as runner:
            assert runner.run(use()) == set()
        gc.collect()
    assert [str(w.message) for w in caught if issubclass(w.category, ResourceWarning)] == []


@every_kind
async def test_an_opening_that_fails_leaves_the_driver_closed(kind: str, options: dict[str, Any]) -> None:
    driver = made(kind, options, LAST_SLOTS)

    async def fail() -> None:
        raise OpenError("no such thing", driver="stage")

    driver._open = fail  # type: ignore[method-assign]
    with pytest.raises(OpenError, match="no such thing"):
        await driver.__aenter__()
    with pytest.raises(OperationError):
        driver.send({"last": 1})
    await driver.close()


def test_an_unknown_kind_says_which_there_are() -> None:
    with pytest.raises(NotAvailableError, match=r"no driver kind 'smoke'; there is .*sacn.*sim"):
        build("stage", "smoke", {}, {}, clock=lambda: 0.0, identity=WHO)


def test_a_driver_whose_package_is_missing_says_so_when_built(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "serial", None)
    monkeypatch.delitem(sys.modules, "fillside_drivers.dmx_serial.driver", raising=False)
    with pytest.raises(NotAvailableError, match="the package pyserial is not installed") as caught:
        build("line", "dmx-serial", {"device": "/dev/null"}, {}, clock=loop_clock, identity=WHO)
    assert (caught.value.driver, caught.value.package) == ("line", "pyserial")


def test_a_missing_package_is_named() -> None:
    absent = DriverKind("x", OptionsModel, DriveModel, "no_such_package_here.driver:Driver")
    with pytest.raises(NotAvailableError, match="the module no_such_package_here is not installed") as caught:
        absent.load()
    assert caught.value.package == "no_such_package_here"
    wrong = DriverKind("x", OptionsModel, DriveModel, "pydantic:BaseModel")
    with pytest.raises(NotAvailableError, match="is not a driver"):
        wrong.load()


class _Point:
    def __init__(self, name: str, loads: object) -> None:
        self.name, self.value, self._loads = name, f"elsewhere:{name}", loads

    def load(self) -> object:
        if isinstance(self._loads, Exception):
            raise self._loads
        return self._loads


def test_entry_points_add_kinds_but_replace_none(monkeypatch: pytest.MonkeyPatch) -> None:
    extra = DriverKind("lantern", OptionsModel, DriveModel, "elsewhere:Lantern")
    impostor = DriverKind("sim", OptionsModel, DriveModel, "elsewhere:Sim")
    points = [
        _Point("lantern", extra),
        _Point("sim", impostor),
        _Point("broken", ImportError("x")),
        _Point("odd", 7),
    ]
    monkeypatch.setattr(importlib.metadata, "entry_points", lambda group: points)
    found = kinds.__wrapped__()
    assert found["lantern"] is extra
    assert found["sim"].where.startswith("fillside_drivers.")
    assert "broken" not in found
    assert "odd" not in found


def test_the_errors_have_one_top() -> None:
    for error in (OptionsError, NotAvailableError, OpenError, OperationError):
        assert issubclass(error, DriverError)
    caught = OptionsError("what", driver="stage", where="drivers.stage.to")
    assert (str(caught), caught.driver, caught.where) == ("what", "stage", "drivers.stage.to")


def test_models_that_were_read_before_are_taken_as_they_are() -> None:
    kind = kind_named("sim")
    drive = kind.drive.model_validate({"bits": 16})
    driver = build("stage", "sim", kind.options(), {"key": drive}, clock=lambda: 0.0, identity=WHO)
    assert driver.channels["key"].drive is drive
    with pytest.raises(OptionsError, match="expected SimOptions"):
        build("stage", "sim", kind_named("sacn").options(), {}, clock=lambda: 0.0, identity=WHO)
    assert isinstance(drive, BaseModel)
