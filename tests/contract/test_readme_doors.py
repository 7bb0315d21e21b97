"""Contract: the README's tables of the doors are what the doors do."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from fillside.doors.mqtt.homie import HomieRig
from fillside.doors.mqtt.messages import TOPIC_TABLE, Topics
from fillside.doors.osc.addresses import ADDRESSES
from fillside.orders.key_phrases import PHRASES, help_of
from fillside.rig.file.load import load_rig_text
from fillside.rig.tables.doors import MqttDoor, OscDoor
from fillside.rig.tables.keys import Keys
from protocol.studio import RIG, rig

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text("utf-8")
TOML = re.findall(r"^( *)```toml\n(.*?)```", README, re.DOTALL | re.MULTILINE)


def table(name: str) -> list[list[str]]:
    """The cells of the table between two markers of the README, without its heading."""
    body = README.partition(f"<!-- {name} -->")[2].partition(f"<!-- /{name} -->")[0]
    rows = [line.strip().strip("|").split("|") for line in body.strip().splitlines()]
    return [[cell.strip() for cell in row] for row in rows[2:]]


def test_the_topics() -> None:
    assert table("topics") == [[f"`{each.path}`", each.direction, each.help] for each in TOPIC_TABLE]
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
    assert table("homie") == expected


def test_the_addresses_of_osc() -> None:
    assert table("osc") == [[f"`{each.path}`", each.takes, each.help] for each in ADDRESSES]


def test_what_a_key_may_do() -> None:
    usages = [", ".join(f"`{usage}`" for usage in phrase.usage.split(", ")) for phrase in PHRASES.values()]
    assert table("keys") == [[usage, help_of(word)] for usage, word in zip(usages, PHRASES, strict=True)]


@pytest.mark.parametrize("block", [body for _, body in TOML if "[doors." in body or "[keys" in body])
def test_a_table_that_is_printed_can_be_read(block: str) -> None:
    plain = "\n".join(line.removeprefix("   ") for line in block.splitlines())
    marks = RIG.replace("[marks]", "[marks]\nboard = [0.3, 0.2, 1.2]")
    load_rig_text(f"{marks}\n{plain}", kinds=None)


def test_there_are_three_such_tables() -> None:
    assert len([body for _, body in TOML if "[doors." in body or "[keys" in body]) == 3


def test_defaults_that_are_printed() -> None:
    keys = Keys()
    assert f"{keys.debounce_ms:g} ms (`debounce_ms`)" in README
    assert f"{keys.step_pause_ms:g} ms (`step_pause_ms`)" in README
    assert f"left out: {OscDoor().listen}" in README
    assert MqttDoor().broker == "127.0.0.1"


def test_it_says_plainly_that_there_is_no_tracker() -> None:
    assert "**No tracker is included.**" in README
