"""Contract: some heads shown for metering, and a hold renewed for a new calibration or a changed file."""

from __future__ import annotations

import pytest

from contract.test_remedies import desk
from fillside.balance.solution import solve_rig
from fillside.hold.machine.hold import Hold
from fillside.orders.answers import Refusal
from fillside.orders.parsing import parse_order
from fillside.rig.calibration import Calibration
from fillside.rig.file.change import apply_change
from fillside.rig.tables.model import Rig


def settled(hold: Hold, now: float = 0.0) -> float:
    """Tick until nothing moves; the time then."""
    for _ in range(5000):
        wake_in = hold.wake_in(now)
        if wake_in is None:
            return now
        now += wake_in
        hold.tick(now)
    raise AssertionError("the light never settled")


def held(rig: Rig) -> tuple[Hold, float]:
    hold = Hold(rig)
    return hold, settled(hold)


def test_shown_heads_have_their_levels_and_the_rest_is_out() -> None:
    hold, now = held(desk())
    before = hold.codes
    hold.order(parse_order({"do": "show", "heads": {"fill": 0.5}}), now)
    now = settled(hold, now)
    assert hold.codes == (0, 32768)
    assert hold.snapshot().shown == ("fill",)
    assert hold.snapshot().alone == "fill"
    hold.order(parse_order({"do": "show", "heads": {"fill": 0.25, "key": 1.0}}), now)
    now = settled(hold, now)
    assert hold.codes == (65535, 16384)
    assert hold.snapshot().alone is None
    hold.order(parse_order({"do": "all"}), now)
    now = settled(hold, now)
    assert hold.codes == before


def test_no_head_shown_is_the_room_with_its_work_light() -> None:
    data = desk().dump()
    work = {"name": "ceiling", "role": "work", "position": [0.0, 0.0, 2.6], "aim": [0.0, 0.1, 0.0]}
    work |= {"intensity": 100.0, "drive": {"driver": "wire"}}
    rig = Rig.model_validate({**data, "heads": [*data["heads"], work]})
    hold, now = held(rig)
    hold.order(parse_order({"do": "show", "heads": {}}), now)
    settled(hold, now)
    assert hold.codes == (0, 0, 255)


@pytest.mark.parametrize("heads", [{"nobody": 0.5}, {"key": 1.5}, {"key": None}, "key"])
def test_what_cannot_be_shown_is_refused_and_changes_nothing(heads: object) -> None:
    hold, now = held(desk())
    before = hold.remember()
    with pytest.raises(Refusal):
        hold.order(parse_order({"do": "show", "heads": heads}), now)
    assert hold.remember() == before


def test_a_new_calibration_begins_with_the_present_codes_and_fades_to_its_own() -> None:
    rig = desk()
    hold, now = held(rig)
    hold.order(parse_order({"do": "trim", "role": "fill", "by": -0.5}), now)
    now = settled(hold, now)
    before = hold.codes
    weak = rig.head("key").intensity_cd / 2
    calibration = Calibration.model_validate({"heads": {"key": {"intensity_cd": weak}}})
    renewed = hold.replaced(rig, calibration, "2026-05-04T10:00:00Z", now)
    assert renewed.codes == before
    steps = []
    for _ in range(5000):
        wake_in = renewed.wake_in(now)
        if wake_in is None:
            break
        now += wake_in
        steps.append(renewed.tick(now) or renewed.codes)
    untrimmed = solve_rig(rig, calibration=calibration).codes
    assert abs(renewed.codes[0] - untrimmed[0]) <= 300
    assert steps[0][0] - before[0] < 2000
    assert renewed.snapshot().trims == {"fill": -0.5}
    assert renewed.snapshot().calibrated_at == "2026-05-04T10:00:00Z"
    assert renewed.snapshot().undo is not None


def test_a_frozen_take_is_not_touched_by_a_new_rig_file_until_follow() -> None:
    rig = desk()
    hold, now = held(rig)
    hold.order(parse_order({"do": "freeze"}), now)
    renewed = hold.replaced(apply_change(rig, {"balance.ratio": "4:1"}), None, None, now)
    now = settled(renewed, now)
    assert renewed.codes == hold.codes
    renewed.order(parse_order({"do": "follow"}), now)
    settled(renewed, now)
    assert renewed.codes != hold.codes


def test_what_a_meter_was_shown_is_not_what_undo_takes_back() -> None:
    hold, now = held(desk())
    hold.order(parse_order({"do": "trim", "role": "fill", "by": -1}), now)
    for order in (
        {"do": "show", "heads": {"fill": 0.5}},
        {"do": "show", "heads": {"key": 1.0}},
        {"do": "all"},
    ):
        hold.order(parse_order(order), now)
        assert hold.snapshot().undo == "trim fill -1 stop"
    hold.order(parse_order({"do": "only", "head": "key"}), now)
    hold.order(parse_order({"do": "all"}), now)
    assert hold.snapshot().undo == "all"
    assert hold.order(parse_order({"do": "undo"}), now).note == "undone: all"
    assert hold.snapshot().alone == "key"
