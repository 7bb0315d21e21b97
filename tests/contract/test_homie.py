"""Contract: the rig as a device of the Homie convention 5.

Source of every rule: the Homie convention, version 5 (homieiot.github.io/specification, as of 2024-10-17).
"""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillside.doors.mqtt.homie import HomieRig, alert_names, alerts, number_text
from fillside.hold.machine.hold import Hold
from fillside.orders.answers import Refusal
from fillside.orders.parsing import parse_order
from protocol.studio import rig

ID = re.compile(r"[a-z0-9-]+")
FLOAT = re.compile(r"-?[0-9]+(\.[0-9]+)?")
DEVICE = HomieRig(rig())


def state(*orders: dict[str, Any]) -> dict[str, Any]:
    """The state after some orders."""
    hold = Hold(rig(), None, 0.0)
    for order in orders:
        hold.order(parse_order(order), 0.0)
    hold.tick(30.0)
    shown: dict[str, Any] = hold.snapshot().model_dump(mode="json")
    return {**shown, "storage": {"kept": True, "note": ""}}


@pytest.fixture(scope="module")
def described() -> dict[str, Any]:
    told: dict[str, Any] = json.loads(json.dumps(DEVICE.description(7), allow_nan=False))
    return told


def test_the_description_has_what_the_convention_asks_for(described: dict[str, Any]) -> None:
    assert re.fullmatch(r"5\.\d+", described["homie"])
    assert described["version"] == 7
    assert described["name"] == "Fillside corner"
    for node_id, node in described["nodes"].items():
        assert ID.fullmatch(node_id)
        for property_id, told in node["properties"].items():
            assert ID.fullmatch(property_id)
            assert told["datatype"] in ("integer", "float", "boolean", "string", "enum")
            assert isinstance(told["name"], str)
            assert set(told) <= {"name", "datatype", "format", "settable", "retained", "unit"}


def test_formats_are_as_their_datatypes_want_them(described: dict[str, Any]) -> None:
    for node in described["nodes"].values():
        for told in node["properties"].values():
            if told["datatype"] == "enum":
                choices = told["format"].split(",")
                assert all(choices)
                assert len(set(choices)) == len(choices)
            elif told["datatype"] == "float" and "format" in told:
                least, most = map(float, told["format"].split(":"))
                assert least < most
            else:
                assert "format" not in told


def test_ratio_exposure_trims_and_mode_can_be_set(described: dict[str, Any]) -> None:
    settable = {
        f"{node_id}/{property_id}"
        for node_id, node in described["nodes"].items()
        for property_id, told in node["properties"].items()
        if told.get("settable")
    }
    assert {"balance/ratio", "balance/exposure", "balance/exposure-stops", "studio/mode"} <= settable
    assert {"trims/key", "trims/fill", "out/key", "out/fill", "studio/mark"} <= settable
    assert not {path for path in settable if path.startswith("now/")}


def test_the_light_now_has_its_uncertainty() -> None:
    now = state()
    for what in ("ratio", "exposure", "face"):
        said = DEVICE.properties[f"now/{what}-uncertainty"].value(now)
        assert said == number_text(now["uncertainty"][f"{what}_stops"])


def test_every_value_is_written_as_its_datatype_wants_it() -> None:
    for shown in (state(), state({"do": "dark"}), state({"do": "trim", "role": "fill", "to": "out"})):
        for each in DEVICE.properties.values():
            value = each.value(shown)
            if value is None:
                continue
            assert each.read(value.encode()) is not None
            if each.datatype == "float":
                assert FLOAT.fullmatch(value)


@pytest.mark.parametrize(
    ("path", "payload", "order"),
    [
        ("balance/ratio", b"3", {"do": "balance", "ratio": 3.0}),
        ("balance/ratio", b"3.5e-1", {"do": "balance", "ratio": 0.35}),
        ("balance/exposure", b"500", {"do": "expose", "to": 500.0}),
        ("balance/exposure-stops", b"0.5", {"do": "expose", "by": 0.25}),
        ("balance/exposure-from", b"camera", {"do": "expose", "to": "camera"}),
        ("studio/mode", b"freeze", {"do": "freeze"}),
        ("studio/mark", b"desk", {"do": "move", "mark": "desk"}),
        ("studio/action", b"undo", {"do": "undo"}),
        ("trims/fill", b"-1", {"do": "trim", "role": "fill", "to": -1.0}),
        ("out/fill", b"true", {"do": "trim", "role": "fill", "to": "out"}),
        ("out/fill", b"false", {"do": "trim", "role": "fill", "to": -0.5}),
        ("out/key", b"false", {"do": "trim", "role": "key", "to": 0.0}),
    ],
)
def test_setting_a_property_is_an_order(path: str, payload: bytes, order: dict[str, Any]) -> None:
    shown = state({"do": "expose", "by": 0.25}, {"do": "trim", "role": "fill", "to": -0.5})
    each, said = DEVICE.order_from(f"homie/5/fillside-corner/{path}/set", payload, shown)
    assert each.path == path
    assert said == order
    parse_order(said)


@pytest.mark.parametrize(
    ("path", "payload"),
    [
        ("balance/ratio", b"three"),
        ("balance/ratio", b"nan"),
        ("balance/ratio", b"+3"),
        ("balance/ratio", b"3e+1"),
        ("balance/ratio", b" 3"),
        ("balance/ratio", b""),
        ("balance/ratio", b"\xff"),
        ("balance/ratio", "\u0663".encode()),
        ("studio/mode", b"flash"),
        ("studio/mode", b""),
        ("studio/mark", b"(none)"),
        ("studio/settled", b"true"),
        ("now/ratio", b"3"),
        ("out/fill", b"True"),
        ("trims/house", b"1"),
        ("no/such", b"1"),
    ],
)
def test_what_cannot_be_set_is_refused(path: str, payload: bytes) -> None:
    with pytest.raises(Refusal) as refused:
        DEVICE.order_from(f"homie/5/fillside-corner/{path}/set", payload, state())
    assert refused.value.message.isprintable()


@given(st.sampled_from(sorted(DEVICE.properties)), st.one_of(st.binary(max_size=20), st.floats().map(repr)))
def test_whatever_is_set_is_an_order_or_a_refusal(path: str, payload: bytes | str) -> None:
    octets = payload.encode() if isinstance(payload, str) else payload
    try:
        _, said = DEVICE.order_from(f"homie/5/fillside-corner/{path}/set", octets, SHOWN)
        parse_order(said)
    except Refusal:
        return


SHOWN = state()


def test_a_target_stays_as_it_was_written_until_it_is_another() -> None:
    ratio = DEVICE.properties["balance/ratio"]
    assert ratio.is_equal(b"3.00", "3")
    assert not ratio.is_equal(b"3.1", "3")
    assert not ratio.is_equal(b"", "3")


def test_numbers_have_no_exponent_and_no_nan() -> None:
    assert number_text(1e-9) == "0"
    assert number_text(123456.7894) == "123456.789"
    assert number_text(float("nan")) is None


def test_alerts_are_said_and_taken_back() -> None:
    assert alerts(state()) == {}
    shown = state()
    shown["drivers"] = {"room": {"state": "lost", "since": 0.0}}
    shown["limits"] = [{"says": "key is at full"}]
    shown["subject_seen"]["too_rough"] = True
    shown["storage"] = {"kept": False, "note": "nothing is stored: the disk is full"}
    assert alerts(shown).keys() == set(alert_names(rig()))
    assert alerts(shown)["driver-room"] == "driver room is lost"
    assert alerts(shown)["storage"] == "nothing is stored: the disk is full"
    assert all(ID.fullmatch(name) for name in alerts(shown))
