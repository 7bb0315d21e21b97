"""Contract: whatever is ordered, reported, lost and mistimed, in any order, what is promised of the light
holds.

A model of the promises runs beside the hold: the mode by the table of modes, the trims by adding up, and the
codes only as an observer of the wires sees them.
"""

from __future__ import annotations

import json
import math
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from contract.hold_studio import Studio, assert_no_flash, output, studio
from fillside.hold.events import DriverChanged, HeadBack, HeadLost, HeadsLeave

NAMES = ("key", "fill", "hair", "house")
ROLES = ("key", "fill", "hair")
FLOOR = 0.02
STOPS = st.sampled_from([-4.0, -1.0, -0.5, 0.25, 1.0, 3.0])
PLACES = st.tuples(
    st.floats(-0.8, 0.8, allow_nan=False), st.floats(-0.5, 0.8, allow_nan=False), st.floats(0.9, 1.4)
)


class Machine(RuleBasedStateMachine):
    """Rules are what visitors, trackers, wires and clocks do."""

    @initialize(
        bits=st.sampled_from([8, 16]),
        curve=st.sampled_from(["square", "linear", "log"]),
        pace=st.sampled_from(["calm", "quick"]),
        when_lost=st.sampled_from(["keep", "solve"]),
        speed=st.sampled_from([1.0, 4.0]),
    )
    def begin(self, bits: int, curve: str, pace: str, when_lost: str, speed: float) -> None:
        self.up = Studio(
            studio(
                bits=bits,
                curve=curve,
                floor=FLOOR,
                hold={"pace": pace, "order_speed": speed},
                balance={"when_lost": when_lost},
            )
        )
        self.mode = "follow"
        self.alone: str | None = None
        self.trims: dict[str, Any] = {}
        self.jumped = False
        self.leaving: tuple[str, ...] = ()
        self.lost_heads: set[str] = set()
        self.lost_drivers: set[str] = set()

    @rule(role=st.sampled_from(ROLES), by=STOPS)
    def trim_by(self, role: str, by: float) -> None:
        now = self.trims.get(role, 0.0)
        if now == "out" or abs(now + by) > 6:
            assert self.up.refusal("trim", role=role, by=by).code in ("not_now", "out_of_range")
            return
        self.up.do("trim", role=role, by=by)
        self.trims[role] = now + by

    @rule(role=st.sampled_from(ROLES), to=st.sampled_from([0.0, -2.0, 1.5, "out"]))
    def trim_to(self, role: str, to: float | str) -> None:
        self.up.do("trim", role=role, to=to)
        self.trims[role] = to

    @rule(mode=st.sampled_from(["follow", "freeze", "dark"]))
    def to_mode(self, mode: str) -> None:
        self.up.do(mode)
        self.mode = mode
        self.alone = None if mode == "dark" else self.alone

    @rule(head=st.sampled_from(NAMES), level=st.sampled_from([None, 0.0, 0.05, 0.6, 1.0]))
    def only(self, head: str, level: float | None) -> None:
        order = {"do": "only", "head": head, "level": level}
        if not self.works(head):
            assert self.up.refusal(order).code == "not_now"
            return
        self.up.do(order)
        self.alone = head

    @rule()
    def all(self) -> None:
        self.up.do("all")
        self.alone = None

    @rule(ratio=st.sampled_from(["1:4", "1:1", "2:1", "8:1"]))
    def balance(self, ratio: str) -> None:
        self.up.do("balance", ratio=ratio)

    @rule(by=st.sampled_from([-0.5, 0.25]))
    def expose(self, by: float) -> None:
        if abs(self.up.state["balance"]["exposure_stops"] + by) < 6:
            self.up.do("expose", by=by)

    @rule(place=PLACES)
    def move(self, place: tuple[float, float, float]) -> None:
        self.up.do("move", to=list(place))
        assert self.up.state["subject"] == list(place)

    @rule(place=PLACES, times=st.integers(1, 30))
    def tracked(self, place: tuple[float, float, float], times: int) -> None:
        for k in range(times):
            x, y, z = place
            self.up.see((x + 0.02 * math.sin(7.0 * k), y, z))
            self.up.wait(0.02)

    @rule()
    def undo(self) -> None:
        if self.up.state["undo"] is None:
            assert self.up.refusal("undo").code == "not_now"
            return
        self.up.do("undo")
        # What is taken back is looked up: the model has no history of its own.
        state = self.up.state
        self.mode, self.alone, self.trims = state["mode"], state["alone"], dict(state["trims"])

    @rule()
    def keep(self) -> None:
        up = self.up
        settled, before, ratio = up.state["settled"], up.codes, up.state["achieved"]["ratio"]
        if self.mode == "dark" or self.alone is not None or ratio is None:
            assert up.refusal("keep").code == "not_now"
            return
        up.do("keep")
        self.trims = {role: to for role, to in self.trims.items() if to == "out"}
        if settled:
            assert up.codes == before
            assert up.state["settled"]

    @rule(
        order=st.sampled_from(
            [
                {"do": "trim", "role": "work", "by": 1},
                {"do": "trim", "role": "kicker", "to": 0},
                {"do": "move", "to": [0, 0, 5]},
                {"do": "move", "mark": "door"},
                {"do": "only", "head": "sun"},
                {"do": "balance", "relative": {"sun": 1}},
                {"do": "camera", "shutter_angle": 180},
                {"do": "expose", "to": 250_000},
            ]
        )
    )
    def nonsense_changes_nothing(self, order: dict[str, Any]) -> None:
        self.up.refusal(order)

    @rule(
        driver=st.sampled_from(["stage", "side", "elsewhere"]), state=st.sampled_from(["ok", "late", "lost"])
    )
    def driver(self, driver: str, state: Any) -> None:
        self.up.event(DriverChanged(driver, state))
        self.lost_drivers.discard(driver)
        if state == "lost":
            self.lost_drivers.add(driver)

    @rule(head=st.sampled_from([*NAMES, "sun"]), lost=st.booleans())
    def head(self, head: str, lost: bool) -> None:
        self.up.event(HeadLost(head) if lost else HeadBack(head))
        self.lost_heads.discard(head)
        if lost:
            self.lost_heads.add(head)

    @rule(heads=st.sampled_from([(), ("key",), ("fill", "hair")]))
    def leave(self, heads: tuple[str, ...]) -> None:
        self.up.event(HeadsLeave(heads))
        self.leaving = heads

    @rule(seconds=st.sampled_from([0.01, 0.1, 0.5, 3.0]))
    def time_passes(self, seconds: float) -> None:
        self.up.wait(seconds)

    @rule(seconds=st.sampled_from([-500.0, -0.3, 0.4, 3600.0]))
    def clock_is_set(self, seconds: float) -> None:
        self.up.now += seconds
        self.up.tick()
        # An observer with another clock counts a second differently; frames are counted anew from here.
        assert_no_flash(self.up.rig, self.up.frames)
        self.up.frames = [(self.up.now, self.up.codes)]

    @precondition(lambda self: self.alone is None)
    @rule(role=st.sampled_from(ROLES), by=st.sampled_from([-1.0, 0.5]))
    def a_trim_and_back_is_nothing(self, role: str, by: float) -> None:
        now = self.trims.get(role, 0.0)
        if now == "out" or abs(now + by) > 6:
            return
        self.up.settle()
        before = self.up.codes
        self.up.do("trim", role=role, by=by)
        self.up.wait(0.2)
        self.up.do("trim", role=role, to=now)
        self.up.settle()
        assert self.up.codes == before

    @rule()
    def restart(self) -> None:
        stored = json.loads(json.dumps(self.up.hold.remember().model_dump(mode="json"), allow_nan=False))
        before = self.up.codes
        assert_no_flash(self.up.rig, self.up.frames)
        self.up = Studio(self.up.rig, stored, self.up.now)
        assert self.up.codes == before
        self.leaving = ()
        for driver in sorted(self.lost_drivers):
            self.up.event(DriverChanged(driver, "lost"))
        for head in sorted(self.lost_heads):
            self.up.event(HeadLost(head))

    def works(self, head: str) -> bool:
        driver = "side" if head == "fill" else "stage"
        return head not in self.lost_heads and driver not in self.lost_drivers

    @invariant()
    def the_state_is_json_and_says_what_was_ordered(self) -> None:
        state = self.up.state
        json.dumps(state, allow_nan=False)
        assert state["mode"] == self.mode
        assert state["alone"] == self.alone
        assert state["trims"] == {role: to for role, to in self.trims.items() if to != 0}
        assert [head["works"] for head in state["heads"]] == [self.works(name) for name in NAMES]

    @invariant()
    def codes_are_on_their_wires(self) -> None:
        for head, code in zip(self.up.rig.heads, self.up.codes, strict=True):
            assert head.drive is not None
            assert 0 <= code < 2**head.drive.bits

    @invariant()
    def rest_is_where_it_was_to_go(self) -> None:
        state = self.up.state
        at_goal = all(head["wire"] == head["goal"]["wire"] for head in state["heads"])
        assert state["settled"] is at_goal
        if self.up.hold.wake_in(self.up.now) is None:
            assert at_goal
            self.rest_obeys_the_mode()

    def rest_obeys_the_mode(self) -> None:
        """Heads that answer are out, on, or not below their floor, as mode and trims say."""
        for i, name in enumerate(NAMES):
            if not self.works(name):
                continue
            given = output(self.up.rig, i, self.up.codes[i])
            if name in self.leaving:
                assert given == 0
            elif self.alone is not None:
                assert given == 0 or name == self.alone
            elif name == "house":
                assert given == (1.0 if self.mode == "dark" else 0.0)
            elif self.mode == "dark":
                assert given == 0
            elif self.mode == "freeze":
                # Frozen in a fade, a head may be anything but on its way below its floor.
                assert given == 0 or given >= FLOOR - 1e-9
            elif self.trims.get(name) == "out":
                assert given == 0
            else:
                assert given >= FLOOR - 1e-9

    def teardown(self) -> None:
        if hasattr(self, "up"):
            self.up.settle()
            assert_no_flash(self.up.rig, self.up.frames)


TestMachine = Machine.TestCase
TestMachine.settings = settings(
    max_examples=40,
    stateful_step_count=30,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
