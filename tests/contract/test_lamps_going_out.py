"""Contract: a lamp that left the rig file goes out gently, though the daemon is killed meanwhile."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from contract.meter_studio import settle
from contract.test_changed_wires import BEFORE, FILL, KEY, RIG, STAGE, read
from fillside.hold.events import HeadsLeave
from fillside.hold.machine.hold import Hold
from fillside.hold.memory.going_out import Rejoined, rejoined
from fillside.orders.parsing import parse_order

WITHOUT = RIG + KEY + STAGE
MOVED = BEFORE.replace("slot = 9", "slot = 21")
MOST_STEP_STOPS = 0.35


def killed_while_fill_goes_out() -> tuple[Hold, Any]:
    """Return a hold whose fill is half out, and what is stored of it."""
    hold = Hold(read(BEFORE))
    now = settle(hold)
    lit = hold.codes
    hold.event(HeadsLeave(("fill",)), now)
    while hold.codes[1] > 0.7 * lit[1]:
        now += 1 / 44
        hold.tick(now)
    return hold, stored(hold)


def stored(hold: Hold) -> Any:
    return json.loads(hold.remember().model_dump_json(exclude={"undoable"}))


def started(found: Rejoined, now: float = 500.0) -> Hold:
    return Hold(found.rig, found.stored, now)


def stops_between(one: int, other: int) -> float:
    """Return the step between two 16-bit codes of a linear lamp, as a person sees it."""
    return abs(math.log2(max(one / 65535, 0.02) / max(other / 65535, 0.02)))


@pytest.mark.parametrize("mode", ["follow", "freeze"])
def test_a_restart_fades_it_out_from_the_light_that_it_had(mode: str) -> None:
    before, kept = killed_while_fill_goes_out()
    found = rejoined(read(WITHOUT), kept)
    again = started(found)
    assert again.scene.names == ("key", "fill")
    assert again.codes == before.codes
    assert again.scene.wire(1, 300) == before.scene.wire(1, 300)
    now, lit = 500.0, again.codes[1]
    again.order(parse_order({"do": mode}), now)
    while not again.have_left(["fill"]):
        now += 1 / 44
        again.tick(now)
        assert stops_between(lit, again.codes[1]) < MOST_STEP_STOPS
        assert again.codes[1] <= lit
        lit = again.codes[1]
    assert found.notes == ()
    assert stored(again)["going_out"] == {}
    assert again.replaced(read(WITHOUT), None, None, now).codes == again.codes[:1]


def test_another_restart_knows_of_it_as_well() -> None:
    _, kept = killed_while_fill_goes_out()
    again = started(rejoined(read(WITHOUT), kept))
    third = started(rejoined(read(WITHOUT), stored(again)))
    assert third.scene.names == ("key", "fill")
    assert third.codes == again.codes
    settle(third, 500.0)
    assert third.codes[1] == 0


def test_a_head_on_other_slots_goes_out_at_the_old_and_is_not_lit_at_once_at_the_new() -> None:
    before, kept = killed_while_fill_goes_out()
    again = started(rejoined(read(MOVED), kept))
    assert again.scene.names == ("key", "fill", "fill-out1")
    assert again.codes == (before.codes[0], 0, before.codes[1])
    settle(again, 500.0)
    assert again.codes[1] > 0
    assert again.codes[2] == 0


def test_a_head_that_is_in_the_file_again_comes_up_from_the_light_that_it_had() -> None:
    before, kept = killed_while_fill_goes_out()
    found = rejoined(read(BEFORE), kept)
    again = started(found)
    assert (again.scene.names, again.codes, found.notes) == (("key", "fill"), before.codes, ())
    settle(again, 500.0)
    assert again.codes[1] > before.codes[1]


def test_where_another_head_has_its_place_that_one_counts() -> None:
    before, kept = killed_while_fill_goes_out()
    window = BEFORE.replace('"fill"\nrole', '"window"\nrole').replace("slot = 9", "slot = 10")
    found = rejoined(read(window), kept)
    assert [head.name for head in found.rig.heads] == ["key", "window"]
    assert started(found).codes == (before.codes[0], 0)


@pytest.mark.parametrize(
    "wires", ["", STAGE.replace("stage", "side")], ids=["gone as well", "without a head"]
)
def test_where_nothing_else_uses_its_wire_the_state_says_that_it_is_left_as_it_is(wires: str) -> None:
    side = FILL.replace('"stage"', '"side"')
    two = RIG + KEY + side + STAGE + STAGE.replace("stage", "side")
    hold = Hold(read(two))
    now = settle(hold)
    hold.event(HeadsLeave(("fill",)), now)
    found = rejoined(read(WITHOUT + wires), stored(hold))
    assert started(found).scene.names == ("key",)
    assert found.notes == (
        "fill left the rig file while it was on, and nothing else uses its wire: it is left as it is",
    )


def test_what_was_out_before_it_left_is_forgotten() -> None:
    hold = Hold(read(BEFORE))
    hold.event(HeadsLeave(("fill",)), 0.0)
    assert hold.codes[1] == 0
    assert stored(hold)["going_out"] == {}
