"""Contract: a head shows itself by one slow dip or rise, and everything is as before."""

from __future__ import annotations

import itertools
import math
from typing import Any

import pytest

from contract.hold_studio import Studio, assert_no_flash, output, studio
from fillside.hold.events import HeadLost

KEY, FILL, HAIR, HOUSE = range(4)


def come_up(**tables: Any) -> Studio:
    up = Studio(studio(**tables))
    up.settle()
    up.frames = [(up.now, up.codes)]
    return up


def outputs(up: Studio, head: int) -> list[float]:
    return [output(up.rig, head, codes[head]) for _, codes in up.frames]


@pytest.mark.parametrize("speed", [0.5, 1.0, 6.0])
def test_one_slow_dip_and_the_codes_return_exactly(speed: float) -> None:
    up = come_up(hold={"order_speed": speed})
    before, state = up.codes, up.state
    assert up.do("identify", head="key").note == "key dips by 1.0 stop and comes back"
    assert up.state["identifying"] == "key"
    took = up.settle()
    assert up.codes == before
    assert took == pytest.approx(2.0 / min(speed, 1.0), abs=0.1)
    seen = outputs(up, KEY)
    lowest = seen.index(min(seen))
    assert math.log2(seen[0] / seen[lowest]) == pytest.approx(1.0, abs=0.002)
    assert seen[: lowest + 1] == sorted(seen[: lowest + 1], reverse=True)
    assert seen[lowest:] == sorted(seen[lowest:])
    for (t0, a), (t1, b) in itertools.pairwise(zip([t for t, _ in up.frames], seen, strict=True)):
        assert abs(math.log2(b / a)) <= (t1 - t0 or 1 / 44) * 1.0 + 0.002
    assert {(c[FILL], c[HAIR], c[HOUSE]) for _, c in up.frames} == {before[1:]}
    after = up.state
    for part in ("mode", "alone", "trims", "balance", "undo", "limits", "subject"):
        assert after[part] == state[part]
    assert after["identifying"] is None
    assert after["last_order"]["do"] == "identify key"


def test_a_lamp_that_is_out_comes_up_gently_and_goes_out_again() -> None:
    up = come_up()
    up.do("trim", role="hair", to="out")
    up.settle()
    up.frames = []
    before = up.codes
    assert up.do("identify", head="hair").note == "hair comes up and goes out again"
    up.settle()
    assert up.codes == before
    assert before[HAIR] == 0
    seen = outputs(up, HAIR)
    assert max(seen) == pytest.approx(0.1, abs=0.001)
    times = [t for t, _ in up.frames]
    assert times[-1] - times[0] == pytest.approx(2 * (0.3 + math.log2(0.1 / 0.01)), abs=0.15)


@pytest.mark.parametrize("mode", ["dark", "only"])
def test_lamps_that_a_mode_puts_out_show_themselves(mode: str) -> None:
    up = come_up()
    up.do("dark") if mode == "dark" else up.do("only", head="key", level=0.5)
    up.settle()
    before = up.codes
    for head in ("fill", "house" if mode == "dark" else "key"):
        up.do("identify", head=head)
        up.settle()
        assert up.codes == before
    assert up.state["mode"] == ("dark" if mode == "dark" else "follow")


@pytest.mark.parametrize(("floor", "way"), [(0.2, "dips"), (0.55, "rises"), (0.97, "dips")])
def test_a_held_lamp_never_goes_below_its_floor_to_show_itself(floor: float, way: str) -> None:
    up = come_up(floor=floor, balance={"exposure": 60.0, "protect": "exposure"})
    head = up.state["heads"][KEY]
    assert head["at_limit"] == "floor"
    before = up.codes
    note = up.do("identify", head="key").note or ""
    up.settle()
    assert up.codes == before
    seen = outputs(up, KEY)
    assert min(seen) >= floor - 1e-4
    # At its floor it has no way down, unless there is none up either.
    assert note.startswith("key rises") == (max(seen) > seen[0])


def test_refused_where_it_cannot_or_must_not_be() -> None:
    up = come_up()
    assert up.refusal("identify", head="kay").code == "unknown_name"
    assert '"key"' in up.refusal("identify", head="kay").message
    assert up.refusal("identify").code == "bad_order"
    up.do("freeze")
    frozen = up.refusal("identify", head="key")
    assert (frozen.code, "take" in frozen.message) == ("not_now", True)
    up.do("follow")
    up.event(HeadLost("key"))
    assert up.refusal("identify", head="key").code == "not_now"


def test_freezing_or_keeping_in_a_dip_takes_the_light_without_it() -> None:
    up = come_up()
    before = up.codes
    up.do("identify", head="key")
    up.wait(0.8)
    assert up.codes[KEY] < before[KEY]
    up.do("freeze")
    up.settle()
    assert up.codes == before
    up.do("follow")
    up.do("identify", head="fill")
    up.wait(0.8)
    up.do("keep")
    up.settle()
    assert up.codes == before
    assert up.state["balance"]["ratio"] == pytest.approx(2.0, abs=0.01)


def test_one_after_the_other_and_orders_in_between() -> None:
    up = come_up()
    before = up.codes
    for head in ("key", "fill", "hair", "key", "fill"):
        up.do("identify", head=head)
        up.wait(0.4)
    up.settle()
    assert up.codes == before
    up.do("identify", head="key")
    up.wait(0.5)
    up.do("trim", role="fill", by=-1)
    assert up.state["identifying"] is None
    up.do("trim", role="fill", to=0)
    up.settle()
    assert up.codes == before
    assert_no_flash(up.rig, up.frames)


def test_a_subject_that_walks_meanwhile_is_followed() -> None:
    up = come_up(hold={"pace": "quick"})
    up.do("identify", head="key")
    for k in range(150):
        up.see((0.004 * min(k, 100), 0.0, 1.2))
        up.wait(0.04)
    up.settle()
    assert up.state["identifying"] is None
    assert up.ratio_stops((0.4, 0.0, 1.2)) == pytest.approx(1.0, abs=0.02)
    assert_no_flash(up.rig, up.frames)


def test_a_head_lost_in_its_dip_ends_it() -> None:
    up = come_up()
    before = up.codes
    up.do("identify", head="fill")
    up.wait(0.5)
    up.event(HeadLost("fill"))
    up.settle()
    assert up.state["identifying"] is None
    assert up.codes[KEY] == before[KEY]
