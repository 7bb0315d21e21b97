"""Contract: what `status` and `watch` say of wires and heads that are not well."""

from __future__ import annotations

import pytest

from contract.hold_studio import Studio, studio
from contract.meter_studio import head_table, rig_of
from fillside.cli.render import state as summary
from fillside.cli.render.state import state_lines
from fillside.hold.events import (
    DriverChanged,
    Event,
    HeadAnswers,
    HeadDisobeys,
    HeadLate,
    HeadLost,
)


@pytest.fixture
def up(monkeypatch: pytest.MonkeyPatch) -> Studio:
    made = Studio(studio())
    made.settle()
    monkeypatch.setattr(summary.time, "time", lambda: made.now)
    return made


@pytest.mark.parametrize(
    ("event", "head", "says"),
    [
        (HeadLost("fill"), "fill", "cannot be reached, for 12 s"),
        (HeadDisobeys("fill", 13107), "fill", "does not obey, reports 20 %, for 12 s"),
        (HeadDisobeys("fill"), "fill", "does not obey, for 12 s"),
        (DriverChanged("side", "late", "busy"), "fill", "frames are late, for 12 s"),
        (DriverChanged("side", "lost", "no way there"), "fill", "cannot be reached, for 12 s"),
    ],
)
def test_a_head_that_is_not_well_says_so_in_its_row(up: Studio, event: Event, head: str, says: str) -> None:
    up.event(event)
    up.wait(12.0)
    rows = [line for line in state_lines(up.state) if says in line]
    assert [line.split()[0] for line in rows] == [head]
    assert ("not known" in rows[0]) == ("cannot be reached" in says)
    assert ("lx" in rows[0]) != ("cannot be reached" in says)


@pytest.mark.parametrize(
    ("events", "says"),
    [
        ((HeadAnswers("fill", "no", None),), "cannot answer"),
        ((HeadAnswers("fill", "changes", False),), "not heard lately"),
        ((HeadAnswers("fill", "yes", False), HeadLate("fill")), "has not answered, for 12 s"),
    ],
)
def test_a_lamp_that_cannot_answer_or_does_not_says_so_in_its_row(
    up: Studio, events: tuple[Event, ...], says: str
) -> None:
    for event in events:
        up.event(event)
    up.wait(12.0)
    assert [line.split()[0] for line in state_lines(up.state) if says in line] == ["fill"]


def test_a_driver_says_since_when_why_and_what_to_know(up: Studio) -> None:
    rival = 'another source "south room" sends universe 1 at priority 120, above ours (100)'
    up.event(DriverChanged("stage", "lost", "192.0.2.7 cannot be reached", (rival,)))
    up.wait(180.0)
    lines = state_lines(up.state)
    assert "driver stage: lost, for 3 min: 192.0.2.7 cannot be reached" in lines
    assert f"driver stage: {rival}" in lines
    up.event(DriverChanged("stage", "ok", "", (rival,)))
    lines = state_lines(up.state)
    assert f"driver stage: {rival}" in lines
    assert not any("lost" in line for line in lines)


def test_a_head_that_shows_itself_is_named(up: Studio) -> None:
    up.do("identify", head="fill")
    up.wait(0.2)
    assert "fill is showing itself and comes back" in state_lines(up.state)
    up.settle()
    assert not any("showing itself" in line for line in state_lines(up.state))


def test_a_lamp_without_a_dimmer_is_named_beside_the_head_that_is_on_alone() -> None:
    tube = 'dimming = { curve = "fixed" }'
    made = Studio(rig_of(head_table("rim", "hair", (0.5, 1.0, 2.2), tube)))
    made.settle()
    made.do("only", head="key")
    assert ", key alone but for rim, " in state_lines(made.state)[0]
    made.do("all")
    assert "alone" not in state_lines(made.state)[0]


def test_a_side_job_in_trouble_says_how_often_since_when_and_why(up: Studio) -> None:
    job = {"name": "advice", "since": up.now - 180.0, "failures": 3, "says": "no such lamp (KeyError)"}
    state = {**up.state, "jobs": [job]}
    assert "advice failed 3 times in 3 min, and is tried again: no such lamp (KeyError)" in state_lines(state)
    state = {**state, "notes": ["the store was damaged: 1 of 9 takes could not be read"]}
    assert "the store was damaged: 1 of 9 takes could not be read" in state_lines(state)
