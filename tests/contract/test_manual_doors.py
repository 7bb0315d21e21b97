"""Contract: the manual's tables of the doors are what the doors do."""

from __future__ import annotations

import pytest

from fillside.doors.mqtt.homie import HomieRig
from fillside.doors.mqtt.messages import TOPIC_TABLE, Topics
from fillside.doors.osc.addresses import ADDRESSES
from fillside.orders.key_phrases import PHRASES, help_of
from fillside.rig.tables.doors import MqttDoor, OscDoor
from fillside.rig.tables.keys import Keys
from fillside.rig_file import load_rig_text
from manual_text import PAGES, blocks, table
from protocol.studio import RIG, rig

OF_DOORS = [
    block
    for text in PAGES.values()
    for block in blocks(text, "toml")
    if "[doors." in block or "[keys" in block
]


def test_the_topics() -> None:
    assert table(PAGES["mqtt"], "topics") == [
        [f"`{each.path}`", each.direction, each.help] for each in TOPIC_TABLE
    ]
    topics = Topics("corner")
    heard = {each.path.replace("NAME", "+") for each in TOPIC_TABLE if each.direction == "in"}
    assert {topic.removeprefix(topics.prefix) for topic in topics.subscriptions} == heard
    out = {each.path for each in TOPIC_TABLE if each.direction != "in"}
    assert out == {topic.removeprefix(topics.prefix) for topic in (topics.said, topics.state, topics.online)}


def test_the_properties_of_homie() -> None:
    expected = []
    for path, each in HomieRig(rig()).properties.items():
        if path in ("trims/key", "out/key"):
            continue
        said = each.label.replace("fill put", "a role put").replace("of fill", "of a role")
        name = path.replace("/fill", "/ROLE")
        unit = "" if each.unit is None else f", {each.unit}"
        expected.append([f"`{name}`", each.datatype + unit, "yes" if each.order else "no", said])
    assert table(PAGES["mqtt"], "homie") == expected


def test_the_addresses_of_osc() -> None:
    assert table(PAGES["osc"], "osc") == [[f"`{each.path}`", each.takes, each.help] for each in ADDRESSES]


def test_what_a_key_may_do() -> None:
    usages = [", ".join(f"`{usage}`" for usage in phrase.usage.split(", ")) for phrase in PHRASES.values()]
    assert table(PAGES["keys"], "keys") == [
        [usage, help_of(word)] for usage, word in zip(usages, PHRASES, strict=True)
    ]


@pytest.mark.parametrize("block", OF_DOORS)
def test_a_table_that_is_printed_can_be_read(block: str) -> None:
    marks = RIG.replace("[marks]", "[marks]\nboard = [0.3, 0.2, 1.2]")
    load_rig_text(f"{marks}\n{block}", kinds=None)


def test_there_are_three_such_tables() -> None:
    assert len(OF_DOORS) == 3


def test_defaults_that_are_printed() -> None:
    keys = Keys()
    assert f"{keys.debounce_ms:g} ms (`debounce_ms`)" in PAGES["keys"]
    assert f"{keys.step_pause_ms:g} ms (`step_pause_ms`)" in PAGES["keys"]
    assert f"left out: {OscDoor().listen}" in PAGES["osc"]
    assert MqttDoor().broker == "127.0.0.1"


def test_it_says_plainly_that_there_is_no_tracker() -> None:
    assert "**No tracker is included.**" in PAGES["orders"]
