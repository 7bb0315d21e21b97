"""A first rig file from any answers: it is read, nothing in it is odd, and its lamps can hold its balance."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillside.balance.solution import solve_rig
from fillside.cli.commands.new import WIDTH, Interview, given_answers
from fillside.cli.group import WrongUse
from fillside.planning.answers.camera import MAINS
from fillside.planning.answers.lamps import light_of
from fillside.planning.answers.lengths import length_m
from fillside.planning.answers.question import Question
from fillside.planning.answers.yes_no import yes_or_no
from fillside.planning.plan import plan_rig
from fillside.planning.starter.questions import QUESTIONS, default_answers
from fillside.planning.starter.rig_text import rig_text
from fillside.rig.checks.report import check_rig
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from fillside_drivers.registry import kinds


def rig_of(**typed: str) -> Rig:
    return load_rig_text(rig_text(default_answers(_keys(typed))), kinds=kinds())


def _keys(typed: dict[str, str]) -> dict[str, str]:
    return {key.replace("__", "."): value for key, value in typed.items()}


lamps = st.sampled_from(["incandescent", "halogen", "cfl", "tube", "led", "discharge"])
modifiers = st.sampled_from(["bare", "shoot-through", "reflective", "softbox", "panel", "reflector"])
yes = st.sampled_from(["yes", "no"])
metres = st.floats(0.6, 8).map(lambda value: f"{value:.2f}")


@st.composite
def typed_answers(draw: st.DrawFn) -> dict[str, str]:
    typed = {
        "stands": draw(yes),
        "camera": draw(metres),
        "wall": draw(metres),
        "ceiling": f"{draw(st.floats(2.0, 5.0)):.2f} m",
        "light_room": draw(yes),
        "mains": draw(st.sampled_from(sorted(MAINS))),
        "aperture": draw(st.sampled_from(["1.4", "2.8", "5.6", "16"])),
        "ratio": draw(st.sampled_from(["1:1", "2:1", "1 stop", "4:1"])),
        "hair": draw(yes),
        "background": draw(yes),
        "driver": draw(st.sampled_from(["sim", "sacn"])),
    }
    for role in ("key", "fill", "hair", "background"):
        typed |= {
            f"{role}.lamp": draw(lamps),
            f"{role}.light": draw(st.sampled_from(["4000 lm", "105 W", "23 W 2500 lm"])),
            f"{role}.count": str(draw(st.integers(1, 4))),
            f"{role}.modifier": draw(modifiers),
            f"{role}.size": f"{draw(st.floats(0.1, 2.0)):.2f}",
        }
    return typed


@settings(max_examples=20, deadline=None)
@given(typed_answers())
def test_any_answers_give_a_rig_that_is_read_and_not_odd(typed: dict[str, str]) -> None:
    rig = load_rig_text(rig_text(default_answers(typed)), kinds=kinds())
    # That tungsten burns warmer as it dims is told of every such lamp, and is nothing odd in the file.
    warnings = [warned.says for warned in check_rig(rig).warnings]
    assert [says for says in warnings if "mired a stop as it dims" not in says] == []
    for head in rig.heads:
        assert 0 < head.position[2] < rig.plan.ceiling  # type: ignore[operator]
        assert head.position[1] < rig.plan.wall  # type: ignore[operator]


def test_the_usual_rig_holds_its_balance_with_a_stop_to_spare() -> None:
    rig = rig_of()
    report = solve_rig(rig).report
    assert report.worst_error_stops < 0.05
    mark = plan_rig(rig, wander=False).marks[0]
    assert mark.reach.exposures is not None
    assert mark.reach.exposures.most.exposure_stops == pytest.approx(1.0, abs=0.35)
    assert not [lens for lens in mark.lens if "picture" in lens.verdict]


def test_the_usual_places_are_those_of_the_trade() -> None:
    # common practice, no source: key 45 degrees aside and 30 to 45 up, fill lower on the other side
    mark = plan_rig(rig_of(), wander=False).marks[0]
    key, fill = mark.standings
    assert key.side_deg == pytest.approx(45, abs=1)
    assert 30 <= key.up_deg <= 45
    assert fill.side_deg < 0
    assert fill.up_deg < key.up_deg


def test_spectacles_are_clear_of_every_lamp() -> None:
    mark = plan_rig(rig_of(glasses="yes"), wander=False).marks[0]
    assert len(mark.glasses) == 2
    assert all(one.margin_deg >= one.wanted_margin_deg - 0.2 for one in mark.glasses)


def test_what_may_not_be_dimmed_is_a_constant() -> None:
    rig = rig_of(fill__dimmable="no")
    assert rig.head("fill").dimming.fixed
    assert rig.head("fill").drive is None


def test_comments_tell_what_is_a_guess() -> None:
    text = rig_text(default_answers({"key.light": "105 W", "key.lamp": "cfl"}))
    assert "lumens guessed from watts and kind, 4830 to 7875" in text
    assert "follow your local code" in text


@pytest.mark.parametrize(
    ("reads", "text"),
    [
        (length_m, "tall"),
        (length_m, ""),
        (length_m, "1 m 2"),
        (length_m, "nan"),
        (length_m, "-1"),
        (light_of, "bright"),
        (light_of, "0 lm"),
        (light_of, "5 lm 6 lm"),
        (light_of, ""),
        (yes_or_no, "maybe"),
    ],
)
def test_what_cannot_be_read_is_refused(reads: Any, text: str) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        reads(text)


@pytest.mark.parametrize(
    "pair",
    [
        "glasses",
        "moon=yes",
        "glasses=perhaps",
        "camera=40",
        "key.count=0",
        "mains=12/400",
        "ratio=0:1",
        'to=1.2.3.4"',
    ],
)
def test_wrong_answers_beforehand_are_wrong_use(pair: str) -> None:
    with pytest.raises(WrongUse, match="--answer"):
        Interview({"driver": "sacn", **given_answers([pair])}, None, print, {}).all()


class Person:
    """Types the given lines, and Enter once there are none left; keeps what was asked and said."""

    def __init__(self, *lines: str) -> None:
        self.lines = list(lines)
        self.asked: list[str] = []
        self.heard: list[str] = []

    def answers(self, question: Question, _: Mapping[str, Any]) -> str:
        self.asked.append(question.key)
        return self.lines.pop(0) if self.lines else ""

    def interview(self, **given: str) -> dict[str, Any]:
        return Interview(_keys(given), self.answers, self.heard.append, {}).all()


def test_a_person_is_asked_again_until_it_can_be() -> None:
    person = Person("my place", "perhaps", "standing")
    found = person.interview()
    assert found["stands"] is True
    assert person.asked[:4] == ["name", "stands", "stands", "camera"]
    assert "  'perhaps' is neither stand nor sit" in person.heard


def test_back_goes_back_as_far_as_one_likes() -> None:
    person = Person("one", "stand", "back", "b", "back", "two", "sit")
    found = person.interview()
    assert (found["name"], found["stands"]) == ("two", False)
    assert person.asked[:7] == ["name", "stands", "camera", "stands", "name", "name", "stands"]


def test_who_asks_is_told_in_one_line_what_may_be_answered() -> None:
    person = Person("one", "?", "help", " ?? ", "stand")
    assert person.interview()["stands"] is True
    assert person.asked[:6] == ["name", "stands", "stands", "stands", "stands", "camera"]
    assert person.heard.count("  sit or stand; on a chair, at a desk, walking") == 3
    for question in QUESTIONS:
        assert 2 + len(question.help_text) <= WIDTH, question.key


def test_a_bulb_is_proposed_words_of_our_own() -> None:
    drive = rig_of(driver="bulbs").head("fill").drive
    assert drive is not None
    assert drive.driver_keys == {"send_to": "room/lamp-fill/order", "send_as": "{code}", "full_scale": 255}


def test_a_frame_rate_goes_into_the_file() -> None:
    rig = rig_of(shutter="180 degrees at 24 fps", mains="120 V")
    assert (rig.camera.shutter_angle, rig.camera.fps) == (180.0, 24.0)
    assert rig_of(shutter="180 degrees", mains="120 V").camera.fps == 30.0


def test_no_question_is_asked_that_the_answers_before_make_idle() -> None:
    person = Person()
    person.interview()
    assert not {"hair.lamp", "to", "device", "broker", "key.light", "key.cct", "key.size"} & set(person.asked)
    assert len(person.asked) <= 20


def test_what_a_lamp_is_known_by_is_not_asked() -> None:
    asked = Person(*[""] * 11, "tungsten 650 W", "softbox")
    asked.interview()
    of_key = [key for key in asked.asked if key.startswith("key.")]
    assert of_key == ["key.lamp", "key.modifier", "key.size", "key.distance"]


def test_units_change_by_a_word() -> None:
    person = Person("x", "sit", "feet", "8", "")
    found = person.interview()
    assert found["camera"] == pytest.approx(8 * 0.3048)
    assert found["wall"] == pytest.approx(5 * 0.3048)
    assert found["mains"] == "120/60"
    assert "#" in rig_text(found)
    assert "position = [0.00, -2.44, 1.25] # 8′ 0″, the front of the lens" in rig_text(found)
    assert "1.52                 # 5′ 0″, y of the wall behind" in rig_text(found)


def test_the_file_says_where_each_stand_is() -> None:
    rig = rig_of(key__distance="2", key__angle="30 left", key__height="2 m", ceiling="3")
    # by hand: 2 m from the face at 0.8 m above it is sqrt(4 - 0.64) = 1.833 m along the floor
    assert rig.head("key").position == pytest.approx((-1.833 / 2, -1.833 * 3**0.5 / 2, 2.0), abs=0.006)
    assert rig.head("fill").position[0] > 0


def test_cautions_stand_where_their_cause_is_said() -> None:
    person = Person(*[""] * 11, "cfl", "85 W", "daylight", "no", "softbox")
    person.interview()
    cautions = [line for line in person.heard if line.startswith("  ! ")]
    topics = ["Mercury", "Not to be dimmed", "Heat in closed modifiers"]
    assert [line[4 : 4 + len(topic)] for line, topic in zip(cautions, topics, strict=True)] == topics


@pytest.mark.parametrize("wire", ["wifi", "network", "usb"])
def test_a_wire_asks_for_a_switch_within_reach(wire: str) -> None:
    plainly, wired = Person(), Person()
    plainly.interview()
    wired.interview(driver=wire)
    assert not [line for line in plainly.heard if "switch" in line.lower()]
    assert [line for line in wired.heard if line.startswith("  ! ") and "switch" in line.lower()]
