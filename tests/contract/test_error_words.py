"""Contract: what is said of an error is true of the numbers beside it, with no digit that means nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from contract.hold_studio import Studio, studio
from fillside.balance.solution import solve_rig
from fillside.cli.render.plan_brief import brief_plan_lines
from fillside.cli.render.plan_full import full_plan_lines
from fillside.cli.render.state import state_lines
from fillside.planning.figures import Lengths
from fillside.planning.plan import plan_rig
from fillside.rig.file.build import apply_change
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig
from fillside_drivers.registry import kinds

CONFIG = Path(__file__).parents[2] / "config"
NO_MORE = " and no more"


@pytest.fixture(scope="module")
def interview() -> Rig:
    return load_rig(CONFIG / "interview.toml", kinds=kinds())


def test_a_bound_on_too_little_says_where_it_counts_from(interview: Rig) -> None:
    """Beside the camera the lamps cannot give the exposure where no wall sends light back; a stop less than
    they can is more off."""
    dark = apply_change(interview, {"room": None})
    report = solve_rig(dark, dark.marks["host"]).report
    (says,) = (limit.says for limit in report.limits if limit.at == "most_under")
    off = report.achieved.exposure_error_stops
    assert off is not None
    assert off < -interview.balance.most_under - 0.05
    assert says.endswith(f"1 stop short{NO_MORE}, counted from the most that the lamps can give")


def test_a_bound_on_too_much_says_where_it_counts_from(interview: Rig) -> None:
    """A fill that gives too much at its floor; half a stop on top of that is more than half a stop off."""
    change = {"balance.ratio": "16:1", "balance.exposure": 20.0, "heads.fill-low.dimming.floor": 0.4}
    report = solve_rig(apply_change(interview, change)).report
    (says,) = (limit.says for limit in report.limits if limit.at == "most_over")
    off = report.achieved.exposure_error_stops
    assert off is not None
    assert off > interview.balance.most_over + 0.05
    assert says.endswith(f"0.5 stop of exposure{NO_MORE}, counted from the least that the lamps can give")


def test_a_bound_that_counts_from_the_target_says_no_more_than_that(interview: Rig) -> None:
    report = solve_rig(apply_change(interview, {"balance.ratio": "64:1", "balance.exposure": 40.0})).report
    (says,) = (limit.says for limit in report.limits if limit.at == "most_over")
    assert report.achieved.exposure_error_stops == pytest.approx(interview.balance.most_over, abs=0.02)
    assert says.endswith(NO_MORE)


@pytest.mark.parametrize(("left", "says"), [(0.004, "less than 0.05 stop"), (1.332, "1.33 stops")])
def test_a_remedy_that_leaves_next_to_nothing_gives_no_number(left: float, says: str) -> None:
    up = Studio(studio())
    up.settle()
    state = {**up.state, "remedies": [{"do": "Open the lens.", "change": {}, "leaves_stops": left}]}
    assert f"would help: Open the lens. (leaves {says})" in state_lines(state)


def test_light_that_follows_is_not_said_to_be_off_by_nought() -> None:
    desk = load_rig(CONFIG / "desk.toml", kinds=kinds())
    plan = plan_rig(desk, marks=["chair"])
    brief, every = (
        " ".join(" ".join(lines(plan, Lengths())).split()) for lines in (brief_plan_lines, full_plan_lines)
    )
    assert "ratio off by less than 0.05 stop, exposure by less than 0.05 stop" in every
    assert "followed, less than 0.05 stop of either" in brief
    assert "by up to 0.00 stop" not in every
