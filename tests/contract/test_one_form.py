"""Contract: a person reads one form of each thing, in the words of the trade, at every door."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from contract.hold_studio import Studio, studio
from fillside.balance.remedies.search import remedies
from fillside.cli.client import Daemon
from fillside.cli.commands.keys import Player
from fillside.cli.group import run
from fillside.cli.render.history import order_text
from fillside.cli.render.plan_brief import MORE, brief_plan_lines
from fillside.cli.render.plan_full import full_plan_lines
from fillside.cli.render.readings import reading_lines
from fillside.cli.render.state import motion_text, one_line, state_lines
from fillside.doors.keys.presses import KeyTable, Press, PressHistory
from fillside.orders.answers import Refusal
from fillside.orders.key_phrases import read_phrase
from fillside.orders.parsing import parse_order
from fillside.orders.registry import ORDERS, phrase_of
from fillside.photometry.colour import shift_mired
from fillside.planning.figures import Lengths
from fillside.planning.look.colour import colour_answers
from fillside.planning.plan import PlanReport, plan_rig
from fillside.rig.file.build import apply_change
from fillside.rig.notation import ratio_number
from fillside.rig.problems import did_you_mean
from fillside.rig.tables.keys import Keys
from fillside.rig_file import load_rig
from fillside.text import numbers, uncertainty
from fillside_drivers.registry import kinds

DESK = Path(__file__).parents[2] / "config" / "desk.toml"
MOST_LINES = 45


@pytest.fixture
def up() -> Studio:
    made = Studio(studio())
    made.settle()
    return made


@pytest.fixture(scope="module")
def plan() -> PlanReport:
    return plan_rig(load_rig(DESK, kinds=kinds()), marks=["chair"])


def test_the_one_of_a_ratio_stands_for_the_weaker_side(up: Studio) -> None:
    assert (numbers.ratio(1 / 1.2), uncertainty.ratio(1 / 1.2, 2.0), uncertainty.ratio(1 / 21, 3.0)) == (
        "1:1.2",
        "1:1.2",
        "1:21",
    )
    assert (numbers.ratio(1.2), numbers.ratio(0.999)) == ("1.2:1", "1.0:1")
    up.do("balance", ratio="1:2")
    up.settle()
    assert up.state["target"]["ratio"] == 0.5
    assert not re.search(r"\b0\.\d+:1", "\n".join([*state_lines(up.state), one_line(up.state)]))
    assert re.search(r"ratio +1:2 +1:2\.0 ", "\n".join(state_lines(up.state)))
    assert (up.do("keep").note or "").startswith("kept 1:2, read as key:fill, at ")


def test_a_ratio_is_taken_in_both_forms() -> None:
    assert ratio_number("1:1.25", "key:fill") == ratio_number("0.8:1", "key:fill") == 0.8


def test_a_remedy_writes_a_ratio_as_everything_does() -> None:
    desk = load_rig(DESK, kinds=kinds())
    dim = apply_change(desk, {"balance.ratio": "1:40"})
    (accept,) = (one for one in remedies(dim) if "ratio" in one.do)
    assert re.fullmatch(r"Accept a ratio of 1:\d+(\.\d+)?\.", accept.do)
    assert accept.change["balance.ratio"] < 1


@pytest.mark.parametrize("level", ["0.5", "50%", "50 %", ".5"])
def test_a_level_is_typed_either_way(level: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        run(["predict", str(DESK), "--at", "chair", "--levels", f"key={level}"])
    assert ended.value.code in (0, None)
    assert re.search(r"key +key +50 %", capsys.readouterr().out)


def test_a_key_takes_a_level_either_way() -> None:
    order = parse_order({"do": "only", "head": "key", "level": 0.5})
    assert read_phrase("only key 50%").order == read_phrase("only key 0.5").order == order


def test_a_level_beyond_all_is_refused_with_what_would_be_right(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        run(["only", "key", "--level", "150%"])
    assert ended.value.code == 2
    assert '"150%" is not a level, which goes from 0% to 100% or from 0 to 1' in capsys.readouterr().err


def test_levels_are_read_in_per_cent(up: Studio) -> None:
    up.do("only", head="key", level=0.5)
    assert up.state["undo"] == "only key at 50 %"
    assert order_text({"do": "show", "heads": {"key": 0.9749904631113145}}) == "show key 97 %"
    body = {"heads": ["key", "fill"], "levels": [1.0, 0.4], "at": (0, 0, 1.2), "value": 640.0}
    row = reading_lines([{"id": 1, "at": 0.0, "purpose": "calibrate", "struck": None, "body": body}])[1]
    assert "key+fill  100 % + 40 %  640 lx" in row


def test_a_role_that_is_not_there_is_answered_as_a_gaffer_would(up: Studio) -> None:
    for order, says in (
        ({"do": "trim", "role": "rim", "by": 1}, "no rim light here; you have key, fill, hair"),
        ({"do": "trim", "role": "fil", "by": 1}, 'no fil light here; did you mean "fill"?'),
        ({"do": "balance", "relative": {"rim": -1}}, "no rim light here; you have key, fill, hair"),
        (
            {"do": "balance", "relative": {"fill": -1}},
            "fill is held by the ratio and cannot be held by stops; hair can",
        ),
        ({"do": "move", "mark": "stage"}, 'no mark "stage" in this rig; its marks: chair, desk'),
    ):
        with pytest.raises(Refusal) as refused:
            up.hold.order(parse_order(order), up.now)
        assert refused.value.message == says
        assert refused.value.code == "unknown_name"
    assert did_you_mean("hair", [], "marks") == "there are none"


def test_undo_names_what_is_undone(up: Studio) -> None:
    for order, name in (
        ({"do": "keep"}, "keep"),
        ({"do": "expose", "by": 1 / 3}, "expose +0.33 stop"),
        ({"do": "balance", "ratio": 0.5, "read_as": "key:fill"}, "balance 1:2, read as key:fill"),
        ({"do": "camera", "iso": 800, "shutter": "1/50"}, "camera ISO 800, 1/50 s"),
        ({"do": "move", "to": [-0.1, -0.2, 1.15]}, "move to -0.1, -0.2, 1.15 m"),
        ({"do": "trim", "role": "hair", "to": "out"}, "trim hair out"),
    ):
        up.hold.order(parse_order(order), up.now)
        assert up.do("undo").note == f"undone: {name}"


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"do": "expose", "by": 1 / 3}, "expose +0.33 stop"),
        ({"do": "expose", "by": "+1/3"}, "expose +1/3"),
        ({"do": "trim", "role": "fill", "to": -1 / 3}, "trim fill to -0.33 stop"),
        ({"do": "trim", "role": "hair", "to": "out"}, "trim hair out"),
        ({"do": "balance", "relative": {"hair": -2 / 3}}, "balance hair -0.67 stop"),
        ({"do": "camera", "nd_stops": 2 / 3}, "camera nd 0.67 stop"),
    ],
)
def test_the_journal_says_stops_as_people_do(said: dict[str, Any], words: str) -> None:
    assert order_text(said) == words


def test_a_key_says_stops_as_people_do(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Daemon, "do", lambda _, order: {"ok": True, "note": "", "state": {}})
    player = Player(Daemon("http://127.0.0.1:9", None), as_json=False)
    table = KeyTable(Keys(), ("desk",), {"t": read_phrase("trim fill 1/3")})
    player.press(table, PressHistory(), Press("t", 0.0))
    assert "trim fill +0.33 stop" in capsys.readouterr().out


def test_every_order_has_a_name() -> None:
    """With everything in it that it may have; a key without a word would be a KeyError."""
    values = {
        "role": "fill", "by": 1, "ratio": 2.0, "read_as": "face", "protect": "ratio", "most_over": 1,
        "most_under": 2, "when_lost": "keep", "relative": {"hair": -1}, "against": {"hair": "key"},
        "iso": 400, "shutter": 0.02, "fps": 25, "aperture": 4, "nd_stops": 1, "loss_stops": 1,
        "offset_stops": 1,
        "head": "key", "heads": {"key": 0.5}, "level": 0.5, "mark": "desk",
    }  # fmt: skip
    for word, kind in ORDERS.items():
        if kind.is_metering:
            continue
        said = {key: values[key] for key in kind.model.model_fields if key in values}
        assert phrase_of(parse_order({"do": word, **said})).startswith(word)
    assert (
        phrase_of(parse_order({"do": "camera", "shutter_angle": 180, "fps": 25}))
        == "camera 180°, 25 frames/s"
    )


def test_the_light_fades_or_is_steady(up: Studio) -> None:
    assert motion_text({"settled": True, "light_changed_at": 0.0}).startswith("steady for ")
    up.do("trim", role="fill", by=-1)
    assert motion_text(up.state) == "fading"
    assert state_lines(up.state)[0].endswith(", fading")


@pytest.mark.parametrize(("cct", "gel"), [(3200, "full CTB"), (4000, "half CTB"), (6500, "quarter CTO")])
def test_a_colour_that_differs_is_matched_by_a_usual_gel(cct: float, gel: str) -> None:
    """Names by what part of a full conversion between 3200 and 5600 K a sheet does (common practice, no
    source): 4000 to 5600 K is 71 mired of 134, so a half."""
    (one,) = colour_answers({"key": 5600 if cct != 6500 else 5400, "fill": cct}, "key", {"fill": 0.5})
    assert one.do is not None
    assert one.do.startswith(f"fill: {gel}, about {one.shift_mired:+.0f} mired, or a lamp of ")
    assert shift_mired(3200, 5600) == pytest.approx(-133.9, abs=0.05)


def test_a_plan_gives_its_answers_on_one_page(plan: PlanReport) -> None:
    lines = brief_plan_lines(plan, Lengths())
    assert len(lines) <= MOST_LINES
    told = "\n".join(lines)
    answers = [
        "2:1 at 165 lx can be held",
        "at 165 lx from 1:20",
        "at 2:1 from",
        "to full",
        "nose shadow",
    ]
    answers += ["flare:", "a step of 0.50 m", "plan.pose.glasses"]
    assert [part for part in answers if part not in told] == []
    assert all(caution.split(":")[0] in told for caution in plan.cautions)
    assert lines[-1] == MORE


def test_what_a_plan_leaves_out_is_there_on_request(plan: PlanReport) -> None:
    every = " ".join(" ".join(full_plan_lines(plan, Lengths())).split())
    mark = plan.marks[0]
    left_out = [*plan.unknown, *plan.cautions, plan.power.assumes, mark.reach.assumes, mark.face.assumes]
    left_out += [mark.softness[0].assumes, mark.lens[0].assumes, mark.catch_lights[0].assumes]
    left_out += [one.part for one in mark.face.patches] + [one.how for one in mark.face.readings]
    assert [text for text in left_out if " ".join(text.split()) not in every] == []
