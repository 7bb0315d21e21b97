"""Contract: what the light of a bulb truly does, whatever is reported of it, and how soon its state says so.

Lamps and times are those of `lamp_studio`; what is judged is the lamp's own light and the state as doors show
it.
"""

from __future__ import annotations

import random
from typing import Any

import pytest

from contract.hold_studio import most_turns_in_a_second
from contract.lamp_studio import ASKED, FADES, REPORTS, Room

KINDS = [
    (REPORTS, "all", 0.1),
    (REPORTS, "all", 1.5),
    (REPORTS, "changes", 0.3),
    (REPORTS, "rest", 0.5),
    (ASKED, "all", 0.1),
    (ASKED, "asked", 1.5),
    (FADES, "all", 0.1),
    (FADES, "rest", 1.5),
]
"""How the bulb can be spoken to, when it reports, and how long it takes to answer [s]."""
NAMES = [f"{'asked' if k is ASKED else 'fades' if k is FADES else 'plain'}-{t}-{s}" for k, t, s in KINDS]
STEP_STOPS = 0.1
WITHIN_S = 5.0
REPEATED_S = 5.0
"""How often a bulb at rest is asked or sent its level again, at most."""

each_kind = pytest.mark.parametrize(("keys", "tells", "answer_s"), KINDS, ids=NAMES)


def settled(keys: dict[str, Any], tells: str, answer_s: float, **more: Any) -> Room:
    room = Room(keys, tells=tells, answer_s=answer_s, **more)
    room.run(24.0)
    assert room.up.state["settled"]
    assert room.head["state"] == "ok"
    room.states.clear()
    room.ours.clear()
    return room


@each_kind
def test_a_bulb_that_obeys_is_never_called_lost_and_is_left_alone_at_rest(
    keys: dict[str, Any], tells: str, answer_s: float
) -> None:
    room = settled(keys, tells, answer_s)
    room.run(25.0)
    assert {state for _, state in room.states} <= {"ok"}
    assert room.ours == []
    assert room.head["answers"] == ("changes" if tells == "changes" else "yes")
    assert room.head["confirmed"]
    room.up.do("trim", role="fill", by=-1)
    room.run(12.0)
    assert {state for _, state in room.states} <= {"ok", "late"}
    assert room.lamp.level == room.code


@each_kind
def test_stray_reports_at_rest_move_no_light(keys: dict[str, Any], tells: str, answer_s: float) -> None:
    room = settled(keys, tells, answer_s)
    for code in (254, 0, 1):
        room.hear(str(code))
        room.run(5.0)
        assert room.head["state"] == "ok"
    assert room.ours == []


def play(seed: int) -> Room:
    """A bulb of any kind, strangers on its topic, and orders in between."""
    rng = random.Random(seed)
    keys, tells, answer_s = KINDS[seed % len(KINDS)]
    room = settled(keys, tells, answer_s, tables={"when_lost": rng.choice(["keep", "solve"])})
    for _ in range(5):
        now, code = room.up.now, rng.choice([0, 1, 254, rng.randint(0, 254)])
        times = rng.choice([1, 5, 30])
        room.strays = [(now + 0.2 * k, rng.choice([code, code, 254])) for k in range(times)]
        if rng.random() < 0.4:
            room.up.do("trim", role=rng.choice(["fill", "key"]), to=rng.choice([-1.0, 0.0, 0.3]))
        room.run(rng.choice([0.3, 2.0, 5.0]))
    room.strays = []
    room.run(12.0)
    return room


@pytest.mark.parametrize("seed", range(6))
def test_whatever_is_reported_the_light_does_not_step_or_flash(seed: int) -> None:
    room = play(seed)
    assert most_turns_in_a_second(*room.light_stops()) <= 3
    # A fade under way may put two tenths into one message where a lamp is late; reports add none.
    assert room.worst_step_stops() <= 2 * STEP_STOPS
    assert abs(room.lamp.level - room.code) <= 1
    assert "lost" not in {state for _, state in room.states}


@pytest.mark.parametrize("keys", [ASKED, FADES], ids=["asked", "fades"])
@pytest.mark.parametrize("level", [254, 40])
def test_a_bulb_that_somebody_else_changed_is_led_back_without_a_step(
    keys: dict[str, Any], level: int
) -> None:
    room = settled(keys, "all", 0.3)
    room.lamp.put(level, room.up.now)
    room.hear(str(level))
    room.run(20.0)
    assert room.worst_step_stops() <= STEP_STOPS
    assert (room.head["state"], room.lamp.level) == ("ok", room.code)


@pytest.mark.parametrize(
    ("keys", "tells"), [(REPORTS, "all"), (REPORTS, "rest"), (ASKED, "asked"), (FADES, "all")]
)
def test_a_bulb_that_does_not_obey_is_shown_counted_and_led_back_without_a_step(
    keys: dict[str, Any], tells: str
) -> None:
    room = settled(keys, tells, 0.1)
    stays = room.lamp.level
    before = room.up.state["achieved"]["ratio_stops"]
    room.lamp.obeys = False
    room.up.do("trim", role="fill", by=-1)
    room.run(2.0 + WITHIN_S)
    assert room.head["state"] == "disobeying"
    assert room.head["says_level"] == pytest.approx(stays / 254)
    state = room.up.state
    assert state["achieved"]["ratio_stops"] == pytest.approx(before, abs=0.02)
    assert [limit["at"] for limit in state["limits"] if limit["head"] == "fill"] == ["disobeying"]
    room.run(8.0)
    room.lamp.obeys = True
    room.ours.clear()
    room.run(30.0)
    assert room.worst_step_stops() <= STEP_STOPS
    assert (room.head["state"], room.lamp.level) == ("ok", room.code)


@each_kind
def test_a_pulled_plug_is_seen_and_the_return_makes_no_step(
    keys: dict[str, Any], tells: str, answer_s: float
) -> None:
    room = settled(keys, tells, answer_s)
    room.lamp.hears, pulled_at = False, room.up.now
    if tells == "changes":
        # One that reports changes alone cannot be missed before it is sent one.
        room.run(2.0)
        pulled_at = room.up.now + 1.0
        room.up.do("trim", role="fill", by=-0.5)
    room.run(REPEATED_S + WITHIN_S)
    assert [state for _, state in room.states if state != "ok"] == ["late", "lost"]
    lost_at = room.states[-1][0]
    assert lost_at - pulled_at <= (WITHIN_S if tells == "changes" else REPEATED_S + WITHIN_S)
    assert not room.head["works"]
    room.run(3.0)
    room.lamp.hears = True
    room.lamp.put(254, room.up.now)
    room.hear("254")
    room.ours.clear()
    room.run(22.0)
    assert room.worst_step_stops() <= STEP_STOPS
    assert (room.head["state"], room.lamp.level) == ("ok", room.code)


def test_the_others_take_over_for_one_that_does_not_obey_where_the_file_says_so() -> None:
    tables = {"when_lost": "solve", "exposure": 400.0, "ratio": 1.0}
    room = settled(REPORTS, "all", 0.1, tables=tables)
    before = room.up.codes
    assert room.up.state["achieved"]["ratio"] == pytest.approx(1.0, abs=0.05)
    room.lamp.obeys = False
    room.up.do("balance", ratio=1.5)
    room.run(14.0)
    state = room.up.state
    assert room.head["state"] == "disobeying"
    # The fill stays where it was; the key alone makes the ratio, as far as the exposure may be overstepped.
    assert room.lamp.level == before[1]
    assert state["achieved"]["ratio"] == pytest.approx(1.5, rel=0.05)
    room.lamp.obeys = True
    room.ours.clear()
    room.run(30.0)
    assert room.head["state"] == "ok"
    assert room.worst_step_stops() <= STEP_STOPS
    assert room.up.state["achieved"]["ratio"] == pytest.approx(1.5, rel=0.05)
    assert room.up.state["achieved"]["exposure_lux"] == pytest.approx(400, rel=0.05)


def test_a_bulb_that_cannot_answer_is_never_confirmed() -> None:
    room = Room({}, tells="all")
    room.run(15.0)
    assert (room.head["state"], room.head["answers"], room.head["confirmed"]) == ("ok", None, None)
    room.bulb.judge(room.up.now)
    room._say()
    assert (room.head["answers"], room.head["confirmed"]) == ("no", None)
