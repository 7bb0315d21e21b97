"""Contract: answers say where the room's light is known from, and show the halves of the face."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from contract.hold_studio import studio
from fillside.balance.prediction import predict
from fillside.balance.rows import FIRST_ROLE_ROW, Metering
from fillside.balance.solution import BalanceSolver, solve_rig
from fillside.balance.target import target_from_rig
from fillside.cli.render.check import check_lines
from fillside.cli.render.plan_brief import brief_plan_lines
from fillside.cli.render.state import state_lines
from fillside.hold.events import DaylightChanged
from fillside.hold.intent import balancing
from fillside.hold.machine.hold import Hold
from fillside.orders.light import SubjectReport
from fillside.orders.parsing import parse_order
from fillside.photometry import ball
from fillside.planning.figures import Lengths
from fillside.planning.plan import plan_rig
from fillside.rig.calibration import Calibration
from fillside.rig.checks.report import check_rig
from fillside.rig.file.build import apply_change
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig

ROOM: dict[str, object] = {"room.size": [3.6, 4.2, 2.5], "room.tone": "white"}
READ = Calibration.model_validate({"heads": {"key": {"room": {"mean": 20.0, "vector": [5.0, 0.0, 0.0]}}}})
UNKNOWN = "the room's light is not known"


@pytest.fixture
def rig() -> Rig:
    return studio()


def known(rig: Rig, calibration: Calibration | None = None) -> set[str]:
    """What every answer says, each once."""
    solved = solve_rig(rig, calibration=calibration).report
    held = Hold(rig, calibration=calibration).snapshot()
    plan = plan_rig(rig, calibration, wander=False)
    foretold = predict(rig, rig.start, None, calibration)
    return {one.room_light for one in (solved, foretold, held, plan)}


def test_every_answer_says_where_the_room_s_light_is_known_from(rig: Rig) -> None:
    assert known(rig) == {"not known"}
    assert known(apply_change(rig, ROOM)) == {"from the rig file"}
    assert known(rig, READ) == {"from readings"}
    assert check_rig(rig).room_light == "not known"
    assert check_rig(apply_change(rig, ROOM)).room_light == "from the rig file"


@pytest.mark.parametrize(("change", "told"), [({}, 1), (ROOM, 0), ({"ambient.lux": 0.0}, 0)])
def test_what_is_not_known_is_said_once_in_words(rig: Rig, change: dict[str, object], told: int) -> None:
    rig = apply_change(rig, change)
    state = solve_rig(rig).report.model_dump(mode="json")
    assert "\n".join(state_lines(state)).count(UNKNOWN) == told
    assert "\n".join(check_lines(check_rig(rig), Lengths())).count("room's light") == told
    plan = " ".join(brief_plan_lines(plan_rig(rig, wander=False), Lengths()))
    assert plan.count("the room's light (room.size)") == told


def test_a_sensor_that_tells_of_daylight_counts_as_readings(rig: Rig) -> None:
    hold = Hold(rig, None, 0.0)
    hold.event(DaylightChanged(3.0), 0.0)
    assert hold.snapshot().room_light == "from readings"


def test_a_room_brings_cheeks_and_halves_nearer_to_each_other(rig: Rig) -> None:
    direct, roomy = (predict(one, rig.start).face for one in (rig, apply_change(rig, ROOM)))
    for before, after in ((direct.ratio, roomy.ratio), (direct.halves_ratio, roomy.halves_ratio)):
        assert before is not None
        assert after is not None
        assert 1 < after < before
    assert direct.halves_ratio is not None
    assert direct.halves_ratio < (direct.ratio or 0.0)


def test_even_light_alone_shows_both_halves_alike(rig: Rig) -> None:
    lit = apply_change(rig, {"ambient.lux": 80.0})
    assert predict(lit, lit.start, {}).face.halves_ratio == pytest.approx(1.0)
    assert predict(rig, rig.start, {}).face.halves_ratio is None


def test_the_halves_are_parted_toward_the_camera_wherever_the_face_looks(rig: Rig) -> None:
    """A face that looks past the key has it on its other cheek; the picture shows the same ball."""
    aside = apply_change(rig, {"marks.aside": [2.5, -0.4, 1.2], "subject.looks": "aside"})
    ahead, turned = (predict(one, rig.start).face for one in (rig, aside))
    assert turned.halves_ratio == pytest.approx(ahead.halves_ratio)
    assert turned.ratio != pytest.approx(ahead.ratio, rel=0.05)


def test_texts_show_the_halves_beside_the_cheeks(rig: Rig) -> None:
    report = solve_rig(rig).report.model_dump(mode="json")
    lines = [line for line in state_lines(report) if line.startswith("in the picture")]
    assert len(lines) == 1
    assert lines[0].endswith("halves of the face")
    assert f"{report['face']['halves_ratio']:.1f}:1" in lines[0]


class Counted:
    """Counts how often halves are worked out."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.times = 0
        plain = ball.half_ball_lux

        def counting(*args: Any) -> Any:
            self.times += 1
            return plain(*args)

        monkeypatch.setattr("fillside.balance.halves.half_ball_lux", counting)


def test_halves_wait_for_a_state_and_are_found_once_for_a_place(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    counted, hold, now = Counted(monkeypatch), Hold(rig, None, 0.0), 0.0
    for order in ({"do": "balance", "ratio": "3:1"}, {"do": "trim", "role": "fill", "by": -0.5}):
        hold.order(parse_order(order), now)
        for _ in range(40):
            now += 1 / 44
            hold.tick(now)
    hold.order(SubjectReport(do="subject", to=(0.2, 0.1, 1.2)), now)
    hold.tick(now + 0.1)
    assert counted.times == 0
    first = hold.snapshot().face.halves_ratio
    hold.tick(now + 2.0)
    assert hold.snapshot().face.halves_ratio != first
    assert counted.times == 1
    hold.order(parse_order({"do": "move", "mark": "desk"}), now + 3.0)
    hold.snapshot()
    assert counted.times == 2


def test_remedies_are_judged_without_them(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    counted = Counted(monkeypatch)
    solution = BalanceSolver(scene(rig)).solve(rig.start, target_from_rig(rig))
    assert solution.judged.face.halves_ratio is None
    assert counted.times == 0
    assert solution.report.face.halves_ratio is not None
    assert (solution.report.achieved, solution.report.limits) == (
        solution.judged.achieved,
        solution.judged.limits,
    )


@pytest.mark.parametrize("name", ["desk", "interview", "presenter"])
def test_the_examples_know_of_their_room(name: str) -> None:
    example = load_rig(Path(__file__).parents[2] / "config" / f"{name}.toml")
    assert check_rig(example).room_light == "from the rig file"
    assert balancing.Balancing(scene(example)).scene.sources.has_room_light == (name != "presenter")


def test_a_work_light_is_in_no_half(rig: Rig) -> None:
    """It is put out by hand before anybody balances anything."""
    brighter = apply_change(rig, {"heads.house.intensity": 90_000.0})
    found = [predict(one, rig.start).face.halves_ratio for one in (rig, brighter)]
    assert found[0] == found[1]


def test_daylight_that_comes_up_is_in_the_halves_at_once(rig: Rig) -> None:
    hold = Hold(apply_change(rig, {"ambient.lux": 4.0}))
    for frame in range(440):
        hold.tick(frame / 44)
    before = hold.snapshot().face.halves_ratio
    hold.event(DaylightChanged(1000.0), 10.0)
    after = hold.snapshot().face.halves_ratio
    assert before is not None
    assert before > 1.2
    assert after == pytest.approx(1.0, abs=0.05)


def test_a_background_gets_the_room_s_light_of_all_heads_and_ambient_by_its_direction(rig: Rig) -> None:
    """A flat receptor at the aim that faces the camera, and ambient light whose vector leads away from it:
    10 - 5 lx with heads out, and 20 lx of each head's room light, but for the work light."""
    wall = {"name": "wall", "role": "background", "position": [0.5, 1.0, 1.4], "aim": [0.5, 2.0, 1.4]}
    wall |= {"intensity": 2000.0, "modifier": {"diameter": 0.0, "spread": 0.0}, "dimming": {"curve": "fixed"}}
    walled = Rig.model_validate({**rig.dump(), "heads": [*rig.dump()["heads"], wall]})
    axis = np.array(rig.camera.position) - [0.5, 2.0, 1.4]
    axis = axis / np.linalg.norm(axis)
    ambient = {"toward_key": 1.0, "toward_fill": 1.0, "toward_camera": 900.0, "mean": 10.0}
    heads = {name: {"room": {"mean": 20.0}} for name in ("key", "fill", "hair", "house", "wall")}
    told = {"heads": heads, "ambient": {**ambient, "vector": (-5.0 * axis).tolist()}}
    dark, lit = (
        Metering(scene(walled, Calibration.model_validate(one))).rows_at(rig.start) for one in ({}, told)
    )
    row = FIRST_ROLE_ROW + lit.roles.index("background")
    assert lit.ambient[row] == pytest.approx(10.0 - 5.0)
    assert lit.matrix[row] - dark.matrix[row] == pytest.approx([20.0, 20.0, 20.0, 0.0, 20.0])
    assert lit.own_lux[4] - dark.own_lux[4] == pytest.approx(20.0)
