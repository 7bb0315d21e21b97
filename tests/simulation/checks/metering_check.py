"""Checks of metering: corrections have their bounds, a routine goes on, what is struck does not count, texts
are one line, and the light does not wait for a fit.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator
from typing import Any
from unittest.mock import patch

from fillside.belief import belief
from simulation.checks.state_checks import balances
from simulation.machine.threads import current_thread
from simulation.visitors import visitors
from simulation.visitors.live_readers import strict_json
from simulation.world import Given, World

State = dict[str, Any]
LOOKS_EVERY_S = 0.5
MOST_STOPS = 0.5
"""The most that a drift is corrected by, unless the rig file says otherwise."""
ROUNDED_STOPS = 0.0011
OF_METER = frozenset({"read", "event", "strike", "sensor"})
"""Orders that hand something in, and none of which moves a light that the balance does not act on."""
BACK = ("calibration", "import", "undo")
"""Orders by which what was struck may be in the calibration in use again."""


def most_corrected(rig: State, name: str) -> float:
    """Return the most that a head's drift may be corrected by [stops]."""
    head = next((each for each in rig["heads"] if each["name"] == name), {})
    table = head.get("correct_drift", {})
    return 0.0 if table is False else float(table.get("most", MOST_STOPS))


def lines_in(data: Any) -> Iterator[str]:
    """Yield every text in plain data."""
    if isinstance(data, str):
        yield data
    elif isinstance(data, dict | list):
        for each in data.values() if isinstance(data, dict) else data:
            yield from lines_in(each)


def _runs(routine: State | None) -> bool:
    return routine is not None and not routine["left"] and routine["stage"] != "done"


class _Looks:
    """Somebody who looks at the state twice a second, and at calibrations after orders of the meter."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._before: tuple[int, float, State] | None = None
        self._failed: set[str] = set()
        self._struck_seen = 0

    def _complain(self, rule: str, text: str) -> None:
        """Complain once of each rule."""
        if rule not in self._failed:
            self._failed.add(rule)
            self._world.complain(rule, text)

    async def run(self) -> None:
        world = self._world
        while True:
            await asyncio.sleep(LOOKS_EVERY_S)
            run, asked_s = world.runs, world.now
            state = await world.state() if world.is_up else None
            if state is None or world.runs != run:
                continue
            self._look(state, run, asked_s)
            self._before = run, asked_s, state
            await self._look_at_calibrations(run)

    def _look(self, state: State, run: int, asked_s: float) -> None:
        routine = state["routine"]
        if routine is not None and routine["asks"] is None and not set(routine["may"]) - {"leave"}:
            self._complain("way on", f'at "{routine["title"]}" there is no way on: {routine["may"]}')
        for one in state["drift"] or ():
            most = most_corrected(self._world.rig, one["head"])
            if abs(one["corrected_stops"]) > most + ROUNDED_STOPS and not self._was_edited():
                self._complain("correction", f"{one['head']} is corrected by {one['corrected_stops']} stop")
        before = self._before
        if before is not None and before[0] == run and not (_acts(before[2]) or _acts(state)):
            self._look_at_rest(before[2], state, before[1])

    def _was_edited(self) -> bool:
        return any(act.kind == "reload" for act in self._world.story.acts)

    def _look_at_rest(self, before: State, state: State, since_s: float) -> None:
        """No correction grows where the balance does not act on the light, or a routine runs."""
        if any(
            one.order.get("do") not in OF_METER and (one.answered_s is None or one.answered_s >= since_s)
            for one in self._world.given
        ):
            return
        then, now = (
            {one["head"]: one["corrected_stops"] for one in each["drift"] or ()} for each in (before, state)
        )
        for name, stops in now.items():
            if abs(stops) > abs(then.get(name, 0.0)) + ROUNDED_STOPS:
                where = state["mode"] if state["routine"] is None else f"{state['mode']}, beside a routine"
                self._complain("correction", f"{name} is corrected by {stops} stop more in {where}")

    async def _look_at_calibrations(self, run: int) -> None:
        """What was struck with ok is in no calibration in use."""
        struck = [one for one in self._world.given if one.order.get("do") == "strike" and one.acknowledged]
        if len(struck) == self._struck_seen:
            return
        numbers = {
            one.order["reading"]: one.given_s for one in struck if not _came_back(self._world.given, one)
        }
        with contextlib.suppress(visitors.NoAnswerError):
            status, body = await self._world.ask("GET", "/api/v1/calibrations?most=200")
            if status != 200 or self._world.runs != run:
                return
            self._struck_seen = len(struck)
            for each in body["calibrations"]:
                again = sorted(numbers.keys() & set(each["readings"])) if each["used"] else []
                if again:
                    self._complain(
                        "struck", f"calibration {each['id']} is in use, with {again} that were struck"
                    )


def _acts(state: State) -> bool:
    """Return true while the balance acts on the light and no routine runs."""
    return balances(state) and not _runs(state["routine"])


def _came_back(given: list[Given], struck: Given) -> bool:
    return any(
        one.order.get("do") in BACK and (one.answered_s is None or one.answered_s >= struck.given_s)
        for one in given
    )


@contextlib.asynccontextmanager
async def metering(world: World) -> AsyncIterator[None]:
    """Corrections, routines and what was struck are as promised, whatever is handed in."""
    task = asyncio.create_task(_Looks(world).run())
    try:
        yield
    finally:
        task.cancel()


@contextlib.asynccontextmanager
async def one_line_each(world: World) -> AsyncIterator[None]:
    """No text that HTTP answers with is more than a line, or steers a terminal."""

    def look(answer: visitors.Answer) -> None:
        if answer.asked.split()[-1].split("?")[0] not in ("/api/v1/do", "/api/v1/state"):
            return
        with contextlib.suppress(ValueError):
            for text in lines_in(strict_json(answer.octets)):
                if not text.isprintable():
                    world.complain("one line", f"{answer.asked}: {text!r}")
                    return

    world.on_answer.append(look)
    yield


@contextlib.asynccontextmanager
async def fits_beside_the_light(world: World) -> AsyncIterator[None]:
    """A fit, which takes longer than a frame on a real machine, is worked out apart from the light."""
    most_likely = belief.most_likely

    def watched(*args: Any) -> Any:
        if (
            asyncio.current_task(world.loop) is not None
            and current_thread() is None
            and not world.system.works_apart
        ):
            world.complain("late frame", "a fit is worked out where the frames are made")
        return most_likely(*args)

    with patch.object(belief, "most_likely", watched):
        yield
