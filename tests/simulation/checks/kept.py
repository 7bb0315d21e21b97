"""The check that nothing acknowledged is lost: the state, the journal, takes, readings and the light.

What an order that was given and not answered changes may be there or not, and so may what the answer says
will not outlive a restart. Everything else is as the last answer before the death showed it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
from collections import Counter
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any

from simulation.acts.meter_orders import number_in
from simulation.machine.disk import CATCHES_UP_S
from simulation.studio.lamps import Lamp
from simulation.studio.meter import METRES_PER_FOOT
from simulation.visitors import visitors
from simulation.visitors.any_order import SETTING
from simulation.world import Given, World

State = dict[str, Any]

COMPARED = ("mode", "alone", "trims", "balance", "camera", "subject", "undo")
CHANGES: dict[str, frozenset[str]] = {
    "trim": frozenset({"trims"}),
    "balance": frozenset({"balance"}),
    "expose": frozenset({"balance"}),
    "camera": frozenset({"camera", "balance"}),
    "move": frozenset({"subject"}),
    "subject": frozenset({"subject"}),
    "sensor": frozenset(),
    "follow": frozenset({"mode"}),
    "freeze": frozenset({"mode"}),
    "dark": frozenset({"mode", "alone"}),
    "keep": frozenset({"trims", "balance"}),
    "only": frozenset({"alone"}),
    "show": frozenset({"alone"}),
    "all": frozenset({"alone"}),
    "calibrate": frozenset({"alone"}),
    "read": frozenset({"alone"}),
}
"""What of the state an order changes, besides what can be undone; an order that is not here, everything."""
SEEN = ("trim", "expose", "move", "follow", "freeze", "dark")
"""Orders that show in what they change, if they change anything."""
THINNED = ("subject", "sensor", "identify", SETTING)
"""Orders that the journal counts, or that nobody undoes."""
HANDED_IN = ("read", "event")
OF_ROUTINES = ("calibrate", "lineup", "round", "read", "event", "strike")
"""Orders by which a routine goes on."""
INSIDE = "routine"
"""The door of the orders that a guided routine gives."""
AUTOMATION = "home automation"
"""Its settings become other orders."""
NOT_LASTING = ("will not outlive a restart", "does not have this")
LEAST_OUTPUT = 0.01
MOST_STEP_STOPS = 0.1
RESTS_S, RESTS_SYNCED_S = 0.5, 2.5
"""How long the light has rested when it is stored, and when that is synced."""
SAYS_WITHIN_S = 3.0
LOOKS_EACH_S = 0.25
STARTS_S = 1.0


def lasts(given: Given) -> bool:
    """True for an order that was answered with ok, and not with a note that it may be lost."""
    return given.acknowledged and not any(
        words in str((given.answer or {}).get("note", "")) for words in NOT_LASTING
    )


def refused(given: Given) -> bool:
    return given.answer is not None and "error" in given.answer


def _placed(numbers: list[int], orders: list[Given]) -> list[tuple[int, Given]]:
    """Return the orders of one wording whose lines are known: those that did not wait beside another."""
    orders = sorted(orders, key=lambda one: one.given_s)
    known, busy_s = [], -math.inf
    for place, (number, given) in enumerate(zip(numbers, orders, strict=True)):
        ended_s = math.inf if given.answered_s is None else given.answered_s
        next_s = orders[place + 1].given_s if place + 1 < len(orders) else math.inf
        if busy_s < given.given_s and ended_s < next_s:
            known.append((number, given))
        busy_s = max(busy_s, ended_s)
    return known


def _value_of(body: State) -> Any:
    """Return the number of a stored reading, or the distance of a tape."""
    return body.get("value", body.get("distance_m"))


def _value_said(order: State) -> Any:
    """Return the number as it is stored of an order."""
    return order["value"] * METRES_PER_FOOT if order["unit"] == "ft" else order["value"]


def _said(order: State) -> str:
    return f"{order['value']} {order['unit']}"


@dataclass(frozen=True)
class _Base:
    """A state that is on the disk: of which start, when it was asked for and when it was seen."""

    state: State
    run: int
    asked_s: float
    seen_s: float


class Kept:
    """Looks on, and compares after each start."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._base: _Base | None = None
        self._rig_text = world.rig_file.read_text("utf-8")
        self._lamps: dict[Lamp, int] = {}
        self._death: tuple[float, bool, bool] | None = None
        self._sending_failed_s = -math.inf
        self._takes: dict[int, Any] = {}
        self._ends: dict[int, float] = {}
        self._tasks: list[asyncio.Task[None]] = []
        for lamp in world.lamps.values():
            lamp.on_code.append(self._first_code)
        world.on_start.append(self._started)

    # Deaths and starts

    def _died(self) -> None:
        world, disk = self._world, self._world.disk
        well = disk.well_for_s > CATCHES_UP_S
        self._death = world.now, well, disk.power_fails

    def _started(self) -> None:
        world, process = self._world, self._world.process
        assert process is not None, "it was just started"
        process.on_death.insert(0, self._died)
        self._ends[world.runs - 1] = world.now if self._death is None else self._death[0]
        if world.runs > 1:
            self._expect_light()
            self._tasks.append(asyncio.create_task(self._compare(world.runs)))
        self._death = None

    def _expect_light(self) -> None:
        """Note which lamps have rested long enough that their light must be the same again."""
        world = self._world
        if world.now - self._sending_failed_s < RESTS_SYNCED_S:
            return
        if self._death is None:
            rested_s = -math.inf if world.may_step else world.started_s
        else:
            at_s, well, is_cut = self._death
            rested_s = at_s - (RESTS_SYNCED_S if is_cut else RESTS_S) if well else -math.inf
        self._lamps = {
            lamp: lamp.code
            for lamp in world.lamps.values()
            if lamp.code is not None and lamp.changed_s <= rested_s
        }

    def _first_code(self, lamp: Lamp, before: int | None, code: int) -> None:
        was = self._lamps.pop(lamp, None)
        if was is None or abs(code - was) <= 1:
            return
        now, then = (math.log2(max(LEAST_OUTPUT, lamp.output(each))) for each in (code, was))
        if abs(now - then) > MOST_STEP_STOPS:
            self._world.complain(
                "kept light", f"{lamp.name} was sent {was} before the restart, and {code} after it"
            )

    # The state

    def _latest(self) -> _Base | None:
        """Return the last state that is known to be on the disk."""
        base = self._base
        for given in self._world.given:
            if not lasts(given) or given.order["do"] in THINNED or given.answered_s is None:
                continue
            state = (given.answer or {}).get("state")
            if state is not None and (base is None or given.answered_s > base.seen_s):
                base = _Base(state, given.run, given.given_s, given.answered_s)
        return base

    def _open(self, base: _Base, until_s: float) -> list[Given]:
        """Return the orders that may have been obeyed since, or not."""
        return [
            given
            for given in self._world.given
            if base.run <= given.run
            and given.given_s < until_s
            and not refused(given)
            and (given.answered_s is None or given.answered_s > base.asked_s)
            and (given.given_s, given.answered_s) != (base.asked_s, base.seen_s)
        ]

    def _may_differ(self, base: _Base, orders: list[Given]) -> frozenset[str]:
        """Return what these orders, a routine or an edited file may have changed."""
        may: set[str] = set()
        for given in orders:
            may |= CHANGES.get(given.order["do"], frozenset(COMPARED)) | {"undo"}
        if base.state["routine"] is not None:
            may |= {"alone", "undo"}
        text = self._world.rig_file.read_text("utf-8")
        if text != self._rig_text:
            may |= set(COMPARED) - {"mode"}
        self._rig_text = text
        return frozenset(may)

    async def _asked(self, path: str, run: int) -> Any:
        """Return what a page of the new daemon shows; None if it does not live to show it."""
        world = self._world
        while world.runs == run and world.is_up:
            with contextlib.suppress(visitors.NoAnswerError):
                status, body = await world.ask("GET", path)
                if status == 200:
                    return body
            await asyncio.sleep(0.05)
        return None

    async def _compare(self, run: int) -> None:
        world, asked_s = self._world, self._world.now
        base = self._latest()
        state = await self._asked("/api/v1/state", run)
        if state is None:
            return
        orders = [] if base is None else self._open(base, world.now)
        if base is not None:
            is_edited = world.rig_file.read_text("utf-8") != self._rig_text
            may = self._may_differ(base, orders)
            for name in COMPARED:
                if name not in may and state[name] != base.state[name]:
                    text = f"{name} was {base.state[name]} as of {base.seen_s:.3f} s, and is {state[name]}"
                    world.complain("kept state", text)
            # An edited file counts before orders, and may end what could be undone.
            if base.state["routine"] is None and len(orders) == 1 and not is_edited:
                self._check_whole(base.state, state, orders[0])
        self._base = _Base(state, run, asked_s, world.now)
        takes = await self._asked("/api/v1/takes?most=1000", run)
        if takes is not None:
            self._check_takes(takes["takes"])
        if base is not None and not any(given.order["do"] in OF_ROUTINES for given in orders):
            self._check_routine(base.state["routine"], state["routine"])
        readings = await self._asked("/api/v1/readings?most=1000", run)
        if readings is not None:
            self._check_readings(readings["readings"])

    def _check_whole(self, before: State, after: State, given: Given) -> None:
        """An order that nobody heard of was obeyed with all that belongs to it, or not at all."""
        if given.order["do"] not in SEEN or any(
            other.order == given.order for other in self._world.given if other is not given
        ):
            return
        is_done = any(after[name] != before[name] for name in CHANGES[given.order["do"]])
        if is_done != (after["undo"] != before["undo"]):
            text = f"{given.order} is half done: what can be undone was {before['undo']}, is {after['undo']}"
            self._world.complain("kept state", text)

    # What is listed

    def _check_routine(self, before: Any, after: Any) -> None:
        """A routine that was left in the middle waits to be taken up."""
        if before is not None and before["stage"] != "done" and after is None:
            self._world.complain("kept routine", f'the routine at "{before["title"]}" is gone')

    def _check_takes(self, takes: list[Any]) -> None:
        world, found = self._world, {one["id"]: one for one in takes}
        for number, known in self._takes.items():
            if number not in found or any(found[number][key] != known[key] for key in ("began", "first")):
                world.complain("kept takes", f"take {number} is gone, or another")
        self._takes = found
        if sum(one["ended"] is None for one in takes) > 1:
            world.complain("kept takes", "two takes go on at the same time")
        began, before, seen_s = 0, "follow", -math.inf
        for given in sorted(
            (each for each in world.given if lasts(each)), key=lambda one: one.answered_s or 0
        ):
            state = (given.answer or {}).get("state") or {}
            mode = state.get("mode", before)
            if mode != before and given.given_s < seen_s:
                continue  # answers to orders of one moment come in any order
            began, before = began + (mode == "freeze" != before), mode
            seen_s = given.answered_s or seen_s
        if len(takes) < began and "takes" not in world.troubled:
            world.complain("kept takes", f"{began} takes were begun, and there are {len(takes)}")

    def _check_readings(self, readings: list[Any]) -> None:
        values = Counter(_value_of(one["body"]) for one in readings if one["struck"] is None)
        stored = {_value_of(one["body"]) for one in readings}
        by_number = {one["id"]: one["body"] for one in readings}
        for given in self._world.given:
            if given.order["do"] not in HANDED_IN or given.answer is None:
                continue
            self._check_number(given, by_number)
            if given.order["do"] == "event":
                continue
            value, message = _value_said(given.order), str(given.answer.get("error", ""))
            if given.acknowledged and value not in stored:
                self._world.complain("kept readings", f"the reading of {_said(given.order)} is gone")
            is_told = refused(given) and "readings are kept" not in message
            if values[value] and is_told and self._could_discard(given):
                self._world.complain("kept readings", f"the refused reading of {_said(given.order)} is there")

    def _check_number(self, given: Given, by_number: dict[int, Any]) -> None:
        """What was taken under a number is what stands there."""
        number = number_in(given)
        if number is None:
            return
        body, order = by_number.get(number, {}), given.order
        if order["do"] == "event":
            is_there = (body.get("head"), body.get("kind")) == (order["head"], order["kind"])
        else:
            is_there = _value_of(body) == _value_said(order)
        if not is_there:
            self._world.complain("kept readings", f"number {number} was {order}, and is {body}")

    def _could_discard(self, given: Given) -> bool:
        """True if the daemon that refused a reading lived to write again: a failed sync may have kept it."""
        if given.run not in self._ends:
            return False
        start_s, end_s = given.answered_s or math.inf, self._ends[given.run]
        return any(start_s < at_s < end_s for at_s in self._world.disk.taken_s)

    def check_journal(self) -> None:
        """Compare the journal on the disk with what was answered; called when no daemon runs."""
        lines: dict[str, list[int]] = {}
        for number, _, who, door, _, said, outcome, *_ in self._world.disk.journal():
            if outcome == "ok" and door != INSIDE and who != AUTOMATION:
                lines.setdefault(json.dumps(json.loads(said), sort_keys=True), []).append(number)
        told: dict[str, list[Given]] = {}
        for given in self._world.given:
            if given.order["do"] not in THINNED and not refused(given):
                told.setdefault(json.dumps(given.order, sort_keys=True), []).append(given)
        placed: list[tuple[int, Given]] = []
        for text, orders in told.items():
            numbers, sure = lines.get(text, []), [given for given in orders if lasts(given)]
            if not len(sure) <= len(numbers) <= len(orders) + self._may_come_twice(orders):
                count = f"{len(numbers)} lines for {len(orders)} orders, {len(sure)} of them acknowledged"
                self._world.complain("kept journal", f"{text}: {count}")
            elif len(numbers) == len(orders):
                placed += _placed(numbers, orders)
        self._check_order(sorted(placed, key=lambda one: one[0]))

    def _may_come_twice(self, orders: list[Given]) -> int:
        """Return how many of these orders a network that doubles datagrams may have given again."""
        doubles = any(act.args.get("doubled") for act in self._world.story.acts)
        return sum(given.door == "osc" for given in orders) if doubles else 0

    def _check_order(self, placed: list[tuple[int, Given]]) -> None:
        latest_s = -math.inf
        for number, given in placed:
            if given.answered_s is not None and lasts(given) and latest_s > given.answered_s:
                text = f"line {number} is of {given.given_s:.3f} s, after one that was given later"
                self._world.complain("kept journal", text)
            latest_s = max(latest_s, given.given_s)

    def check_refusals(self) -> None:
        """No reading is acknowledged that was handed in and answered while the disk took nothing."""
        for given in self._world.given:
            if given.order["do"] != "read" or not given.acknowledged or given.answered_s is None:
                continue
            if any(start < given.given_s and given.answered_s < end for start, end in self._world.disk.spans):
                text = f"the reading of {_said(given.order)} was taken while the disk took nothing"
                self._world.complain("kept readings", text)

    # What the state says of the disk

    async def watch(self) -> None:
        """Look whether trouble of the disk is told, and is told to be over."""
        world, told = self._world, True
        while True:
            await asyncio.sleep(LOOKS_EACH_S)
            if world.network.weather.sending_fails is not None:
                self._sending_failed_s = world.now
            disk, process = world.disk, world.process
            if process is None or not world.is_up or process.stalled_until > world.now - 1.0:
                continue
            since_s = max(world.started_s + STARTS_S, process.stalled_until)
            if not disk.well:
                refused_s = disk.refused_s
                if told and refused_s is not None and world.now > max(refused_s, since_s) + SAYS_WITHIN_S:
                    told = await self._says(False, "the disk takes nothing, and the state does not say so")
            elif not told and world.now > max(disk.well_since_s, since_s) + SAYS_WITHIN_S:
                told = await self._says(True, "the disk takes everything, and the state does not say so")

    async def _says(self, well: bool, otherwise: str) -> bool:
        """Compare what the state says of the disk, unless that changes meanwhile; return what it says."""
        world, run = self._world, self._world.runs
        state = await world.state()
        if state is None or world.runs != run or world.disk.well != well:
            return not well
        if state["storage"]["kept"] != well:
            world.complain("told storage", otherwise)
        return well


@contextlib.asynccontextmanager
async def kept(world: World) -> AsyncIterator[None]:
    """Check that what was acknowledged is kept."""
    keeper = Kept(world)
    watch = asyncio.create_task(keeper.watch())
    yield
    watch.cancel()
    keeper.check_refusals()
    keeper.check_journal()
