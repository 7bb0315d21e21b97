"""Contract: the manual's tables of the doors are what the doors do."""

from __future__ import annotations

import pytest

from fillside.doors.mqtt.homie import DescribedDevice
from fillside.doors.mqtt.messages import SPOKEN, Topics
from fillside.doors.osc.addresses import ADDRESSES
from fillside.rig.file.load import load_rig_text
from fillside.rig.tables.doors import MqttDoor, OscDoor
from fillside.rig.tables.key_words import WORDS
from fillside.rig.tables.keys import Keys
from manual_text import PAGES, blocks, table
from protocol.studio import RIG, rig

OF_DOORS = [
    block
    for text in PAGES.values()
    for block in blocks(text, "toml")
    if "[doors." in block or "[keys" in block
]


def test_the_topics() -> None:
    assert table(PAGES["mqtt"], "topics") == [[f"`{each.path}`", each.way, each.says] for each in SPOKEN]
    topics = Topics("corner")
    heard = {each.path.replace("NAME", "+") for each in SPOKEN if each.way == "in"}
    assert {topic.removeprefix(topics.prefix) for topic in topics.heard} == heard
    out = {each.path for each in SPOKEN if each.way != "in"}
    assert out == {topic.removeprefix(topics.prefix) for topic in (topics.said, topics.state, topics.online)}


def test_the_properties_of_homie() -> None:
    expected = []
    for path, each in DescribedDevice(rig()).properties.items():
        if path in ("trims/key", "out/key"):
            continue
        said = each.says.replace("fill put", "a role put").replace("of fill", "of a role")
        name = path.replace("/fill", "/ROLE")
        unit = "" if each.unit is None else f", {each.unit}"
        expected.append([f"`{name}`", each.datatype + unit, "yes" if each.order else "no", said])
    assert table(PAGES["mqtt"], "homie") == expected


def test_the_addresses_of_osc() -> None:
    assert table(PAGES["osc"], "osc") == [[f"`{each.path}`", each.takes, each.does] for each in ADDRESSES]


def test_what_a_key_may_do() -> None:
    usages = [", ".join(f"`{usage}`" for usage in word.usage.split(", ")) for word in WORDS.values()]
    assert table(PAGES["keys"], "keys") == [
        [usage, word.does] for usage, word in zip(usages, WORDS.values(), strict=True)
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
