"""Acts of a person with a meter in a guided routine, who lies, strikes, leaves or kills the daemon."""

from __future__ import annotations

import asyncio
from random import Random
from typing import Any

from simulation.acts.meter_orders import ROOM_LUX, number_in
from simulation.acts.process_faults import SETTLES_S, kill_and_start
from simulation.stories import ACTS, ActKind
from simulation.studio.meter import lux_at, names_of, outputs_at, said_lux, tape_of
from simulation.world import Given, World

Args = dict[str, Any]
KINDS = ("calibrate", "calibrate", "lineup", "round")
TRIES_EACH_S, RESTS_WITHIN_S = 0.5, 15.0
FICKLE = (0.0, 0.1, 0.3)
"""How often somebody does something else than what is asked."""


def _routine(random: Random, rig: Args) -> Args:
    return {
        "kind": random.choice(KINDS),
        "steps": random.randint(3, 18),
        "then": random.choice(["", "", "leave", "strike", "kill", "finish"]),
        "hand": random.random(),
        "fickle": random.choice(FICKLE),
    }


async def _do_routine(world: World, args: Args) -> None:
    """Go some steps in a routine: begin it, or take up what is under way."""
    person = _Person(world, args)
    for _ in range(args["steps"]):
        if not await person.step():
            break
    if args["then"] == "kill":
        with world.fault(SETTLES_S):
            await kill_and_start(world, {"after_steps": person.random.randrange(40), "away_s": 0.3})
        for _ in range(3):
            await person.step()
    elif args["then"] == "strike":
        number = person.taken[-1] if person.taken else 1
        await world.order({"do": "strike", "reading": number})
    elif args["then"]:
        await world.order({"do": args["kind"], "act": args["then"]})


class _Person:
    """Somebody who reads what is asked for; `taken` are the numbers that were told."""

    def __init__(self, world: World, args: Args) -> None:
        self._world, self._kind, self._fickle = world, args["kind"], args["fickle"]
        self._rig: Args = world.story.rig
        self.random = Random(f"hand {args['hand']}")
        self._room_lux = self.random.choice([0.0, ROOM_LUX])
        self.taken: list[int] = []

    async def step(self) -> bool:
        """Do what is asked; return False without a daemon that answers."""
        state = await self._rested()
        if state is None:
            return False
        given: Given = await self._world.order(self._next(state))
        if given.answer is None:
            return False
        if (number := number_in(given)) is not None:
            self.taken.append(number)
        if "error" in given.answer:
            await asyncio.sleep(TRIES_EACH_S)
        return True

    async def _rested(self) -> Args | None:
        """Return the state once the light rests for a reading, or after a while."""
        until_s = self._world.now + RESTS_WITHIN_S
        while True:
            state = await self._world.state()
            routine = None if state is None else state["routine"]
            waits = routine is not None and routine["asks"] is not None and not routine["left"]
            if state is None or not waits or state["settled"] or self._world.now > until_s:
                return state
            await asyncio.sleep(TRIES_EACH_S)

    def _next(self, state: Args) -> Args:
        routine = state["routine"]
        if routine is None or routine["stage"] == "done":
            more = routine is not None and "more" in routine["may"] and self.random.random() < 0.5
            return {"do": "calibrate", "act": "more"} if more else {"do": self._kind, "act": "start"}
        word, may = routine["routine"], [act for act in routine["may"] if act not in ("leave", "tick")]
        if routine["left"]:
            return {"do": word, "act": "resume"}
        unticked = [one["item"] for one in routine["ticks"] if not one["ticked"]]
        if unticked:
            return {"do": word, "act": "tick", "item": unticked[0]}
        if may and self.random.random() < self._fickle:
            return {"do": word, "act": self.random.choice(may)}
        asks = routine["asks"]
        if asks is None or "go" in may or (routine["stage"] == "warm" and routine["wait_until"] is not None):
            return {"do": word, "act": "go" if "go" in may else "skip"}
        return self._read(asks, state)

    def _read(self, asks: Args, state: Args) -> Args:
        if asks["unit"] == "m":
            return {"do": "read", **tape_of(self.random, self._rig, asks["head"], asks["at"])}
        if state["routine"]["lit"] is None:
            outputs = {head["name"]: float(head["output"]) for head in state["heads"]}
        else:
            names = [name for name in asks["head"].split("+") if name in names_of(self._rig)]
            levels = [float(level) for level in asks["level"].split("+") if level]
            outputs = outputs_at(self._rig, dict(zip(names, levels, strict=False)))
        lux = lux_at(self._rig, outputs, asks["at"], asks["receptor"], asks["facing"])
        return {"do": "read", "value": said_lux(self.random, lux + self._room_lux), "unit": "lux"}


ACTS["routine"] = ActKind(
    _routine,
    _do_routine,
    lambda args: (
        f"somebody goes {args['steps']} steps in {args['kind']}"
        + f", and then: {args['then']}" * bool(args["then"])
    ),
    share=0.6,
    may_lie=True,
)
