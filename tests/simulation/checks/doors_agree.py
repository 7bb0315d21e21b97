"""Checks: the doors tell one state, in sound answers and in time; a freeze holds; who leaves leaves nothing.

At a quiet moment, GET /api/v1/state, the state of a reader that adds up what it was sent, and the OSC door's
are one and the same.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Coroutine
from random import Random
from typing import Any

from fillside.orders.answers import CODES
from simulation.checks.light_checks import step_stops
from simulation.machine.daemon_parts import part, runner_of, task_names
from simulation.studio.lamps import Lamp
from simulation.visitors import visitors
from simulation.visitors.any_order import GO_ON, MOVES_FROZEN, SLOWLY_WEIGHED
from simulation.visitors.live_readers import LiveReader, strict_json
from simulation.visitors.osc_visitors import OscVisitor, address_of
from simulation.world import Given, World

State = dict[str, Any]
LOOKS_EVERY_S, QUIET_S = 0.5, 0.5
YOUNG_S = 2.0
SEEN_STOPS = 0.02
TRIES = 3
TRIES_APART_S = 0.4
ANSWERED_WITHIN_S = 1.0
READERS_SHARE = 0.4
"""The share of stories in which somebody looks on all the time."""
GONE_BEFORE_END_S = 1.5
STATUS = {"unauthorised": 401, "forbidden": 403, "unknown_name": 404, "not_now": 409, "too_many": 429}
"""Statuses that are fixed by the code of an error alone."""
REPORTS = frozenset({"subject", "sensor"})


@contextlib.asynccontextmanager
async def _meanwhile(work: Coroutine[Any, Any, None]) -> AsyncIterator[None]:
    """Let something go on while inside; a fault of it is raised at the end."""
    task = asyncio.create_task(work)
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


def disturbed(world: World, since_s: float) -> bool:
    """Return true if a fault went on at this time or later, or the daemon is young."""
    young = world.started_s + YOUNG_S > since_s
    return not world.is_up or young or world.had_fault(since_s)


# Answers


@contextlib.asynccontextmanager
async def answers_are_sound(world: World) -> AsyncIterator[None]:
    """Every answer of HTTP is JSON of the one shape, never a failure of Fillside itself."""
    world.on_answer.append(lambda answer: _look_at(world, answer))
    yield


def _look_at(world: World, answer: visitors.Answer) -> None:
    where = f"{answer.asked}: {answer.status} {answer.octets[:200]!r}"
    if answer.status == 500:
        world.complain("failure", where)
    if not answer.octets:
        if answer.status not in (204, 304):
            world.complain("shape", where)
        return
    try:
        body = strict_json(answer.octets)
    except ValueError as error:
        world.complain("shape", f"{error}: {where}")
        return
    if answer.status >= 400 and answer.asked != "GET /health":
        if not _is_error(body, answer.status):
            world.complain("shape", where)
    elif answer.asked == "POST /api/v1/do" and not _is_done(body):
        world.complain("shape", where)


def _is_error(body: Any, status: int) -> bool:
    if (
        not isinstance(body, dict)
        or set(body) != {"error"}
        or set(body["error"]) != {"code", "message", "where"}
    ):
        return False
    code, message, where = (body["error"][name] for name in ("code", "message", "where"))
    texts = isinstance(message, str) and isinstance(where, str) and "\n" not in message + where
    return texts and bool(message) and code in CODES and STATUS.get(code, status) == status


def _is_done(body: Any) -> bool:
    return (
        isinstance(body, dict)
        and set(body) == {"ok", "note", "state"}
        and body["ok"] is True
        and isinstance(body["note"], str)
        and (body["state"] is None or isinstance(body["state"], dict))
    )


@contextlib.asynccontextmanager
async def answers_come_in_time(world: World) -> AsyncIterator[None]:
    """An order at HTTP is answered within a second while nothing is wrong with the machine."""
    yield
    for given in world.given:
        late_s = (given.answered_s if given.answered_s is not None else world.now) - given.given_s
        if given.door == "http" and late_s > ANSWERED_WITHIN_S and _should_be_quick(world, given):
            world.complain("latency", f"{given.order} of {given.given_s:.3f} s took {late_s:.3f} s")


def _should_be_quick(world: World, given: Given) -> bool:
    until_s = given.given_s + ANSWERED_WITHIN_S
    return not world.had_fault(given.given_s, until_s) and given.order.get("do") not in SLOWLY_WEIGHED


# One state


class _Witness:
    """Somebody who looks at all doors at quiet moments, and notes when a freeze has come to rest."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._random = Random(f"witness {world.story.seed}")
        self._looks_on = self._random.random() < READERS_SHARE
        self._reader: LiveReader | None = None
        self._stirred_s = 0.0
        self._compared_s = -1.0
        self._frozen_since_s: float | None = None
        self._routine_runs = False
        self._known_lamps: set[str] = set()
        self._ends_s = world.story.lasts_s - GONE_BEFORE_END_S

    async def look_on(self) -> None:
        world = self._world
        while world.now < self._ends_s:
            self._watch_lamps()
            await asyncio.sleep(LOOKS_EVERY_S)
            self._join()
            if not self._is_quiet():
                continue
            if self._compared_s < self._stirred_s:
                await self._compare()
        if self._reader is not None:
            self._reader.leave(politely=True)

    def _watch_lamps(self) -> None:
        for name in sorted(set(self._world.lamps) - self._known_lamps):
            self._known_lamps.add(name)
            self._world.lamps[name].on_code.append(self._code_changed)

    def _join(self) -> None:
        world, reader = self._world, self._reader
        if reader is not None and reader.ended:
            if reader.closed is not None and "slow" in reader.closed[1]:
                world.complain("readers", f"one who reads at once was dropped: {reader.closed}")
            self._reader = reader = None
        if self._looks_on and reader is None and world.is_up:
            with contextlib.suppress(visitors.NoAnswerError):
                self._reader = LiveReader(world.network, self._random, world.complain)
                self._stirred_s = world.now

    def _is_quiet(self) -> bool:
        world = self._world
        for given in reversed(world.given):
            if world.now - given.given_s > visitors.ANSWERS_WITHIN_S:
                break
            if given.answered_s is None and not _answerless(world, given):
                self._stirred_s = max(self._stirred_s, world.now)
            else:
                self._stirred_s = max(self._stirred_s, given.answered_s or given.given_s)
        return world.now - self._stirred_s >= QUIET_S and not disturbed(world, world.now - QUIET_S)

    async def _compare(self) -> None:
        """Look at the doors until they agree; complain if they do not while nothing happens."""
        world, looked_s = self._world, self._world.now
        for _ in range(TRIES):
            state = await world.state()
            await asyncio.sleep(TRIES_APART_S)
            others = {"the live page": self._reader.state if self._reader is not None else None}
            if address_of(world.rig) is not None and self._random.random() < 0.5:
                with OscVisitor(world) as visitor:
                    others["OSC"] = await visitor.state()
            if not self._is_quiet() or self._stirred_s > looked_s or state is None:
                return
            self._note_rest(state, looked_s)
            differing = {
                name: _differing(state, other) for name, other in others.items() if other is not None
            }
            if not any(differing.values()):
                self._compared_s = looked_s
                return
        self._compared_s = looked_s
        found = "; ".join(f"{name}: {text}" for name, text in differing.items() if text)
        world.complain("agree", f"GET /api/v1/state and {found}")

    # A freeze

    def _note_rest(self, state: State, looked_s: float) -> None:
        held = state["mode"] in ("freeze", "dark")
        rests = held and state["settled"] and state["identifying"] is None
        self._frozen_since_s = looked_s if rests else None
        routine = state["routine"]
        self._routine_runs = routine is not None and not routine["left"] and routine["stage"] != "done"

    def _code_changed(self, lamp: Lamp, before: int | None, code: int) -> None:
        if before == code:
            return
        world = self._world
        since_s = self._frozen_since_s
        self._stirred_s = world.now
        if since_s is None:
            return
        self._frozen_since_s = None
        if disturbed(world, since_s):
            return
        # A trim of kept levels is worked out anew by another dimmer, which nobody sees.
        is_seen = before is None or step_stops(lamp, before, code) > SEEN_STOPS
        moves = MOVES_FROZEN if is_seen and not self._routine_runs else MOVES_FROZEN | GO_ON
        asked = [
            given
            for given in world.given
            if (given.answered_s is None or given.answered_s >= since_s) and given.order.get("do") in moves
        ]
        if not asked:
            world.complain(
                "freeze", f"{lamp.name} went from {before} to {code}, frozen since {since_s:.3f} s"
            )


def _answerless(world: World, given: Given) -> bool:
    """Return true if no answer will come: the order was a report over OSC, or its daemon has died."""
    return given.run != world.runs or (
        given.door in ("osc", "automation", "broker") and world.now - given.given_s > QUIET_S
    )


def _differing(one: State, other: State) -> str:
    names = [
        name
        for name in {**one, **other}
        if one.get(name) != other.get(name) or (name in one) != (name in other)
    ]
    return "; ".join(f"{name}: {one.get(name)!r} / {other.get(name)!r}"[:400] for name in names)


@contextlib.asynccontextmanager
async def doors_agree(world: World) -> AsyncIterator[None]:
    """At quiet moments all doors show one state; a frozen light at rest moves by an order alone."""
    async with _meanwhile(_Witness(world).look_on()):
        yield


# What is left


@contextlib.asynccontextmanager
async def nothing_is_left(world: World) -> AsyncIterator[None]:
    """Once all visitors have left, the daemon has the tasks of its start, and its queues are empty."""
    world.on_end.append(lambda: _look_for_rests(world))
    yield


LEAVES_WITHIN_S = 0.02
"""The time in which a connection that was closed is gone at the other end."""
STANDING = frozenset(
    {"light", "advice", "live page", "thinning", "http gate", "drift", "reload", "osc door", "mqtt door"}
)
"""Tasks that a daemon has all the time, beside its first one and those of its wires."""


def _look_for_rests(world: World) -> None:
    process = world.process
    runner = runner_of(process) if process is not None and process.alive else None
    if process is None or runner is None or disturbed(world, world.now - 1.0):
        return
    if world.asking or world.now - world.asked_s < LEAVES_WITHIN_S:
        return  # a check is here itself
    names = task_names(process)
    standing = _standing(world)
    left = {name: count for name, count in names.items() if _is_left(name, count, standing)}
    if left:
        world.complain("left", f"tasks: {left}")
    gate, osc = part(process, "http gate"), part(process, "osc door")
    sizes = {
        "connections in the table": len(gate.table),
        "connections at the gate": len(gate._connections),
        "turns at the gate": len(gate._turns._queues),
        "readers": runner.live.readers,
        "watchers": max(0, len(runner.live._watchers) - _clients_of_broker(world)),
        "answers that wait": len(runner._answers._queues),
        "OSC messages": 0 if osc is None else osc._waiting.qsize() + osc._under_way + len(osc._later),
    }
    if found := {name: size for name, size in sizes.items() if size}:
        world.complain("left", f"{found}")


def _clients_of_broker(world: World) -> int:
    """Return how many doors of the rig are clients of the broker."""
    door = world.rig.get("doors", {}).get("mqtt")
    return 0 if door is None else 1 + bool(door.get("homie"))


def _standing(world: World) -> dict[str, int]:
    """Return how many tasks of each name a daemon has all the time."""
    doors, kinds = _clients_of_broker(world), [each["kind"] for each in world.rig["drivers"].values()]
    return {
        **dict.fromkeys(STANDING, 1),
        # Each door listens, publishes and watches its connection; its client has a task of its own, and so
        # has that of a wire, which also listens, writes and checks the broker.
        "mqtt door": 1 + 3 * doors,
        "homie door": 1,
        "Task": doors + 4 * kinds.count("mqtt"),
    }


def _is_left(name: str, count: int, standing: dict[str, int]) -> bool:
    if name.startswith("daemon"):
        return count > 1
    return count > standing.get(name, 0) if name in standing or name == "live reader" else False


CHECKS = (answers_are_sound, answers_come_in_time, doors_agree, nothing_is_left)
