"""Contract: the `[doors]` and `[keys]` tables: what they take, and that a key's words make sound orders."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillside.doors.keys.device import NAME_OF_CODE
from fillside.doors.keys.escape_codes import NAME_OF_CHARACTER
from fillside.orders.key_phrases import PHRASES, read_phrase
from fillside.orders.parsing import parse_order
from fillside.rig.checks.report import check_rig
from fillside.rig.file.build import apply_change
from fillside.rig.problems import RigError
from fillside.rig.tables.doors import OscDoor
from fillside.rig.tables.keys import KEY_NAMES, USUAL_KEYS
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from rigs import kitchen_table, toml

RIG = toml(kitchen_table())
HEADER = Path("/usr/include/linux/input-event-codes.h")


def read(tables: str) -> Rig:
    return load_rig_text(RIG + tables, kinds=None)


def test_all_doors_are_shut_unless_a_table_opens_them() -> None:
    rig = read("")
    assert rig.doors.mqtt is None
    assert rig.doors.osc is None
    assert check_rig(rig).doors == {}


def test_an_empty_table_opens_a_door_for_this_machine_alone() -> None:
    doors = read("[doors.mqtt]\n[doors.osc]\n").doors
    assert doors.mqtt is not None
    assert doors.mqtt.address == "127.0.0.1:1883"
    assert doors.osc is not None
    assert doors.osc.address == ("127.0.0.1", 9000)
    assert doors.osc.admits("127.0.0.1")
    assert doors.osc.admits("::1")
    assert doors.osc.admits("::ffff:127.0.0.1")
    assert not doors.osc.admits("192.0.2.1")


@pytest.mark.parametrize(
    ("host", "heard"),
    [
        ("192.0.2.7", True),
        ("::ffff:192.0.2.7", True),
        ("192.0.3.7", False),
        ("2001:db8::5", True),
        ("2001:db9::5", False),
        ("fe80::1%eth0", False),
        ("nonsense", False),
        ("", False),
    ],
)
def test_osc_hears_who_is_allowed(host: str, heard: bool) -> None:
    door = OscDoor(listen="0.0.0.0:9000", allow=("192.0.2.0/24", "2001:db8::/32"))
    assert door.admits(host) is heard


def test_check_says_which_doors_are_open_and_what_may_be_regretted() -> None:
    tables = """
[doors.mqtt]
broker = "broker.example"
[doors.osc]
listen = "192.0.2.1:9000"
allow = ["192.0.2.0/24"]
"""
    found = check_rig(read(tables))
    assert found.doors == {
        "mqtt": "broker broker.example:1883",
        "osc": "UDP 192.0.2.1:9000, heard: this machine; 192.0.2.0/24",
    }
    warned = {warning.key for warning in found.warnings}
    assert {"doors.mqtt", "doors.osc.allow"} <= warned
    safe = check_rig(
        read('[doors.mqtt]\nbroker = "broker.example"\ntls = true\nuser_from = "env:STUDIO_USER"\n')
    )
    assert not [warning for warning in safe.warnings if warning.key.startswith("doors")]


@pytest.mark.parametrize(
    ("words", "order"),
    [
        ("trim fill -1/3", {"do": "trim", "role": "fill", "by": -1 / 3}),
        ("trim hair to out", {"do": "trim", "role": "hair", "to": "out"}),
        ("trim  hair   to 0", {"do": "trim", "role": "hair", "to": 0.0}),
        ("expose +1/3", {"do": "expose", "by": 1 / 3}),
        ("expose to 500", {"do": "expose", "to": 500.0}),
        ("expose to camera", {"do": "expose", "to": "camera"}),
        ("balance 3:1", {"do": "balance", "ratio": "3:1"}),
        ("balance 1 stop", {"do": "balance", "ratio": "1 stop"}),
        ("move desk", {"do": "move", "mark": "desk"}),
        ("move -0.4 0.2 1.2", {"do": "move", "to": [-0.4, 0.2, 1.2]}),
        ("only key", {"do": "only", "head": "key"}),
        ("only key 0.5", {"do": "only", "head": "key", "level": 0.5}),
        ("undo", {"do": "undo"}),
    ],
)
def test_words_make_orders(words: str, order: dict[str, object]) -> None:
    made = read_phrase(words).order
    assert made is not None
    assert made.as_json() == order
    assert parse_order(order) == made


@pytest.mark.parametrize(
    "words",
    [
        *("", " ", "flash", "next 2", "follow me", "all heads"),
        *("trim", "trim fill", "trim fill 1 2", "trim fill nan", "trim fill 13", "trim fill to 7"),
        *("expose", "expose 11", "expose to -1", "expose to nan", "balance", "balance 0"),
        *("move", "move 1 2", "move 0 0 inf", "only", "only key 2", "only key 0.5 0.5"),
    ],
)
def test_words_that_cannot_be_are_refused_with_what_would_be_right(words: str) -> None:
    with pytest.raises(ValueError, match=r"it is written|did you mean|known:"):
        read_phrase(words)


@given(
    st.lists(
        st.sampled_from([*PHRASES, "fill", "to", "out", "camera", "1", "-1/3", "3:1", "9e9", "0", "desk"])
    )
)
def test_whatever_a_key_may_be_told_is_an_order_that_can_be(parts: list[str]) -> None:
    try:
        action = read_phrase(" ".join(parts))
    except ValueError:
        return
    if action.order is not None:
        assert parse_order(action.order.as_json()) == action.order


def test_every_usual_key_has_a_name_and_an_action() -> None:
    for key, words in USUAL_KEYS.items():
        assert key in KEY_NAMES
        read_phrase(words)
    assert set(NAME_OF_CHARACTER.values()) <= set(KEY_NAMES)


@pytest.mark.skipif(not HEADER.exists(), reason="needs the kernel's header of input event codes")
def test_every_code_is_one_of_the_kernel() -> None:
    """Reference: linux/input-event-codes.h of the machine."""
    known = set(re.findall(r"^#define\s+((?:KEY|BTN)_\w+)", HEADER.read_text(), re.MULTILINE))
    assert set(NAME_OF_CODE) <= known


def test_a_programme_is_read_in_order() -> None:
    keys = read('[keys]\nprogramme = ["stool", "stool"]\naround = true\npress = { space = "next" }\n').keys
    assert keys.programme == ("stool", "stool")
    assert keys.around
    assert read_phrase(keys.press["space"]).steps


def test_the_usual_keys_do_no_harm_to_a_rig_without_fill() -> None:
    assert read("").keys.press["plus"] == "trim fill +1/3"


def test_a_change_of_what_a_key_does_is_checked_as_in_a_file() -> None:
    rig = read("[keys.press]\nspace = 'next'\n")
    assert apply_change(rig, {"keys.press.space": "move stool"}).keys.press["space"] == "move stool"
    for text, why in (("nxt", 'did you mean "next"'), ("move desk", 'there is no mark "desk"')):
        with pytest.raises(RigError, match=why) as refused:
            apply_change(rig, {"keys.press.space": text})
        assert refused.value.key == "keys.press.space"
