"""Contract: the exposure asked for, in stops or in lux: how far it goes, and what is said beyond that."""

from __future__ import annotations

import math
from typing import Any

import pytest
from click.testing import CliRunner

from contract.hold_studio import Studio, studio
from fillside.cli.commands import orders
from fillside.cli.group import WrongUse


def lit(**tables: Any) -> Studio:
    up = Studio(studio(balance={"exposure": 300.0}, hold={"order_speed": 6.0}, **tables))
    up.settle()
    return up


def test_stops_on_top_of_the_exposure_go_six_up_and_down_in_all() -> None:
    up = lit()
    up.do("expose", by=5)
    assert up.refusal("expose", by=1.1).code == "out_of_range"
    refused = up.refusal("expose", by=9)
    assert (refused.code, refused.where) == ("out_of_range", "by")
    assert refused.message == (
        "the exposure would be +14 stops off what is wanted in all; it goes 6 stops up and down"
    )
    up.do("expose", by=1)
    up.do("expose", by=-12)
    assert up.state["balance"]["exposure_stops"] == -6
    assert up.refusal("expose", by=-0.1).code == "out_of_range"
    assert up.refusal("expose", by=12.5).code == "out_of_range"


def test_a_light_that_was_kept_farther_off_comes_back_by_steps() -> None:
    """Lamps that give less than a sixtieth of what the file wants are more than six stops under it."""
    up = Studio(studio(balance={"exposure": 200_000.0}))
    up.settle()
    up.do("keep")
    kept = up.state["balance"]["exposure_stops"]
    assert kept < -6
    assert up.refusal("expose", by=-0.25).code == "out_of_range"
    up.do("expose", by=0.25)
    assert up.state["balance"]["exposure_stops"] == pytest.approx(kept + 0.25)


@pytest.mark.parametrize("lux", [0.001, 0, -5, 200_001, math.inf, math.nan])
def test_an_exposure_that_nothing_lights_or_meters_is_refused(lux: float) -> None:
    assert lit().refusal({"do": "expose", "to": lux}).code == "out_of_range"


@pytest.mark.parametrize("order", [{"by": 6}, {"to": 100_000}])
def test_an_exposure_that_most_lux_forbids_is_answered_so_and_never_lit(order: dict[str, float]) -> None:
    up = lit(subject={"most_lux": 400.0})
    answer = up.do({"do": "expose", **order})
    assert answer.note == "not reached: the brighter side of the face is at its most, 400 lx"
    while (wake := up.hold.wake_in(up.now)) is not None:
        face = up.state["face"]
        assert max(face["key_side_lux"], face["fill_side_lux"]) <= 400.0 * (1 + 1e-6)
        up.now += wake
        up.tick()
    assert not up.state["ticks"]["balance"]


def test_most_lux_is_named_too_where_the_lamps_end_before_it() -> None:
    """All lamps at full put some 1,600 lux on the face; six stops more than 300 lux would put on far more."""
    up = lit(subject={"most_lux": 5000.0})
    answer = up.do("expose", by=6)
    assert answer.note is not None
    assert "is at its full light" in answer.note
    assert "the exposure wanted would put more than 5000 lx, its most, on the face" in answer.note


@pytest.mark.parametrize(
    ("typed", "order"),
    [
        (["+1/3"], {"by": pytest.approx(1 / 3)}),
        (["-1/2"], {"by": -0.5}),
        (["--to", "640"], {"to": 640.0}),
        (["--to", "camera"], {"to": "camera"}),
    ],
)
def test_the_command_line_says_it_in_stops_or_in_lux(
    typed: list[str], order: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[dict[str, Any]] = []
    monkeypatch.setattr(orders, "give", lambda order, *_: said.append(order))
    done = CliRunner().invoke(orders.expose, typed, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    assert said == [{"do": "expose", **order}]


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ([], "say by how much"),
        (["1", "--to", "5"], "say by how much"),
        (["--to", "bright"], '"bright" is neither a number of lux nor camera'),
        (["--to", "nan"], '"nan" is neither a number of lux nor camera'),
    ],
)
def test_what_is_no_exposure_is_one_line(typed: list[str], says: str) -> None:
    with pytest.raises(WrongUse, match=says):
        orders.expose.main(typed, standalone_mode=False)
