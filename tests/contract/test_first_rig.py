"""A first rig file from any answers: it is read, nothing in it is odd, and its lamps can hold its balance."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillside.balance.offline import solve_rig
from fillside.interfaces.cli.asking import ask_all, ask_person, given_answers
from fillside.interfaces.cli.group import WrongUse
from fillside.planning.answers_text import length_m, light_of, yes_or_no
from fillside.planning.plan import plan_rig
from fillside.planning.questions import MAINS, QUESTIONS, default_answers
from fillside.planning.starter_text import rig_text
from fillside.rig.check import check_rig
from fillside.rig.load import load_rig_text
from fillside.rig.model import Rig
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
    ("text", "metres"),
    [("1.2", 1.2), ("90 cm", 0.9), ("4 ft", 1.2192), ("33 in", 0.8382), ("5'6\"", 1.6764), ("900mm", 0.9)],
)
def test_lengths_as_typed(text: str, metres: float) -> None:
    # 1 ft = 0.3048 m and 1 in = 0.0254 m, exact by the agreement of 1959
    assert length_m(text) == pytest.approx(metres, abs=1e-9)


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
        'name=a"b',
    ],
)
def test_wrong_answers_beforehand_are_wrong_use(pair: str) -> None:
    with pytest.raises(WrongUse, match="--answer"):
        ask_all({"driver": "sacn", **given_answers([pair])}, ask=None)


def test_a_person_is_asked_again_until_it_can_be(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = iter(["perhaps", "yes"])
    monkeypatch.setattr("click.prompt", lambda *_, **__: next(lines))
    question = next(q for q in QUESTIONS if q.key == "glasses")
    assert ask_person(question, {}) is True


def test_no_question_is_asked_that_the_answers_before_make_idle() -> None:
    asked: list[str] = []

    def ask(question: Any, answers: Any) -> Any:
        asked.append(question.key)
        return question.take("", answers)

    ask_all({}, ask)
    assert "hair.lamp" not in asked
    assert "to" not in asked
    assert len(asked) < 30
