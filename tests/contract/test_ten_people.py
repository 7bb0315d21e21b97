"""Ten people answer the questions of a first rig, each as they are used to; each gets a rig that is held.

Their answers are what people of such habits write (common practice, no source). How long it takes them is
reckoned at 40 words, that is 200 characters, a minute, with the Enter key, and 2 s to read each question.
"""

from __future__ import annotations

import io
import sys
import tempfile
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

from contract.hold_studio import Studio
from fillside.balance.solution import solve_rig
from fillside.cli.group import run
from fillside.rig.checks.report import check_rig
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig

CHARACTERS_PER_MINUTE, READING_S, MOST_S = 200, 2.0, 120.0


class Person(NamedTuple):
    """What somebody types, a line a question; which driver the file ends up with, and what it must say."""

    lines: str
    kind: str
    says: tuple[str, ...] = ()
    balanced: bool = True


PEOPLE = {
    "presses Enter": Person("\n" * 20, "sim", ('ratio = "2:1"',)),
    "metric and terse": Person(
        "Dachstudio\nsit\n2.4\n1.8\n2.6\nwhite\n230\n4\n50\n3\nno\n"
        "LED panel 60W\n5600\ny\n\n1.5\n45 r\n2\n\n\n2\n40 l\n1.6\nn\n\n",
        "sim",
        ('name = "dachstudio"', "ceiling = 2.60", "aperture = 4", 'kind = "panel"'),
    ),
    "feet and inches": Person(
        "Bob's garage\nsitting\n8 ft\n5'\n9'\nwhite\n120V\nf/4\n180°\n3 to 1\nyes\n"
        "LED panel, 100W, daylight\nyes\nsoftbox 24x36\n5 ft\n45 right\n6'6\"\n"
        'LED 60w 5600K\nyes\n43" umbrella\n6\'6"\n35 left\n5 foot 6\nno\nnone\n',
        "sim",
        ('name = "bobs-garage"', "shutter_angle = 180", "# 8′ 0″, the front of the lens", "6′ 6″ high"),
    ),
    "whole sentences": Person(
        "The Blue Room\nshe sits\nabout 2.5 metres\ntwo metres\nit's 2.7 m\nwhite walls\n"
        "we have 230 volts\nf 2.8\n\none stop\nno glasses\nit's an LED, 50 W, daylight\nyes it may\n"
        "a white umbrella\n\n1.5 m at 45 right\n\nan LED panel, 40 W, 5600K\nyes\n\n\nno\nnot yet\n",
        "sim",
        ('name = "the-blue-room"', 'ratio = "1 stop"', "watts = 50"),
    ),
    "DMX veteran": Person(
        "stage-b\nstand\n4\n3\n4.5\ndark\n230/50\n4\n180\n2 stops\nn\n"
        "tungsten 1k\nfresnel 20cm\n3m, 40r, 3m\ntungsten 650\nsoftbox 60x90\n3m, 45l, 2.2m\n"
        "hair\ntungsten 300\nfresnel 15cm\n2m, 160l, 3m\nsacn\n192.0.2.7\n3\n101 121 141, 16 bit\n",
        "sacn",
        ("universe = 3, slot = 101, bits = 16", 'to = ["192.0.2.7"]', "cct = 3200"),
    ),
    "smart bulbs": Person(
        "living room\nsit\n1.5m\n1m\n2.4m\ncream\nUK\nf/2\n1/50\n2 to 1\nglasses\n"
        "9W bulb\nwarm\nyes\numbrella\n90 cm\n\n\nlantern\n40cm\n\nno\n"
        "wifi\n192.0.2.9\ndesk/NAME/set\njson level 254\n",
        "mqtt",
        (
            'send_to = "desk/key/set"',
            """send_as = '{"level": {code}}', full_scale = 254""",
            'broker = "192.0.2.9"',
        ),
    ),
    "typos": Person(
        "my stduio\nsiting\n2.4 mm\n2.4 m\n1,5\n2.5\nwhtie\n230 v\nf2,8\n1/50\n2;1\n2:1\nnope\n"
        "led panle 40 w daylite\nyess\numbrela\n\n1.5, 45 rihgt\n\nled 30w dalylight\nyess\nreflecter\n\n\n"
        "nno\nno\nsimulatd\n",
        "sim",
        ('name = "my-stduio"', 'kind = "shoot-through"', 'kind = "reflector"'),
    ),
    "USB cable and commas": Person(
        "Küche\nja\n2,4 m\n1,7 m\n2,5 m\nja\n230 V\n2,8\n1/50\n3:1\nnein\n"
        "LED 50 W 5600 K\nja\nSoftbox 60x90\n1,4 m\n40 rechts\n40 right\n\n"
        "LED 30 W 5600 K\nja\nSoftbox 60x60\n\n"
        "nein\nusb dongle\nttyUSB0\n1 und 5\n",
        "dmx-serial",
        ('name = "kuche"', 'device = "/dev/ttyUSB0"', "slot = 5"),
    ),
    "changes their mind": Person(
        "x\nback\ncorner\nsit\nfeet\n8\n6\n8\n?\nlight\n\nf/4\nback\nf/2.8\n\n2:1\nnot sure\n"
        "flash\nLED\nnot sure\ndaylight\ny\nwhatever\n\n\ny\n\n\nno\ndmx\nnone\n",
        "sim",
        ('name = "corner"', "mains_hertz = 60", "aperture = 2.8"),
    ),
    "fluorescent kit": Person(
        "Kit\nstanding\n3 m\n2 m\n2.6 m\ngrey\n120V 60 Hz\n4\n1/60\n1.5\nyes\n"
        "4 x 23W CFL 5500K dimmable\nsoftbox 60x90\n1.5 m\nleft\n\n"
        "2x 23W CFL 5500K not dimmable\nsoftbox 60x60\n2 m\nright\n\nno\nnetwork\nmulticast\n1\n1\n",
        "sacn",
        ("count = 4", 'dimming = { curve = "fixed" }', "floor = 0.2"),
        balanced=False,
    ),
}


class Typed(NamedTuple):
    """What came of it: the rig, its text, how many questions were put, how long it took [s]."""

    rig: Rig
    text: str
    questions: int
    seconds: float


@cache
def typed(name: str) -> Typed:
    """What came of the answers of one of them."""
    with tempfile.TemporaryDirectory() as folder:
        return type_out(PEOPLE[name], Path(folder))


def type_out(person: Person, folder: Path) -> Typed:
    """The command as it is, with the answers at its standard input."""
    file, put, keys = folder / "studio.toml", io.StringIO(), io.StringIO(person.lines)
    before = sys.stdin, sys.stdout, sys.stderr
    sys.stdin, sys.stdout, sys.stderr = keys, io.StringIO(), put
    try:
        with pytest.raises(SystemExit) as ended:
            run(["new", str(file)])
    finally:
        sys.stdin, sys.stdout, sys.stderr = before
    assert ended.value.code == 0, put.getvalue()
    used = person.lines[: keys.tell()]
    questions = used.count("\n")
    assert keys.read() == "", put.getvalue()
    seconds = READING_S * questions + 60 * len(used) / CHARACTERS_PER_MINUTE
    return Typed(load_rig(file), file.read_text("utf-8"), questions, seconds)


@pytest.mark.parametrize("name", PEOPLE)
def test_two_minutes_of_typing_are_enough(name: str) -> None:
    print(f"{name}: {typed(name).questions} questions, {typed(name).seconds:.0f} s")
    assert typed(name).seconds < MOST_S, typed(name).questions


@pytest.mark.parametrize("name", PEOPLE)
def test_the_file_says_what_was_typed_and_nothing_odd(name: str) -> None:
    rig, text = typed(name).rig, typed(name).text
    assert [part for part in PEOPLE[name].says if part not in text] == []
    assert {table.kind for table in rig.drivers.values()} == {PEOPLE[name].kind}
    warnings = [warned.says for warned in check_rig(rig).warnings]
    # That tungsten burns warmer as it dims is told of every such lamp, and is nothing odd in the file.
    assert [says for says in warnings if "mired a stop as it dims" not in says] == []


@pytest.mark.parametrize("name", PEOPLE)
def test_the_rig_is_solved_and_held(name: str) -> None:
    rig, balanced = typed(name).rig, PEOPLE[name].balanced
    report = solve_rig(rig).report
    assert not balanced or report.worst_error_stops <= 0.05
    held = Studio(rig)
    held.settle(120.0)
    state = held.state
    assert state["mode"] == "follow"
    assert all(head["level"] > 0 for head in state["heads"])
    assert balanced is (abs(state["achieved"]["ratio_error_stops"]) <= 0.05)
    assert balanced or state["limits"]
