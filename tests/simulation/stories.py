"""Stories: a rig, and what happens to it when. Drawn from a seed, written as JSON, and made shorter.

Each kind of act has an entry in `ACTS`: how it is drawn, told and done. The modules named in `AREAS` put
their kinds there when they are imported.
"""

from __future__ import annotations

import importlib
import json
from collections.abc import Awaitable, Callable, Collection, Mapping
from dataclasses import asdict, dataclass, replace
from random import Random
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simulation.world import World

AREAS = (
    "light_orders",
    "process_faults",
    "network_faults",
    "disk_faults",
    "meter_orders",
    "guided_routines",
    "broker_faults",
    "broker_people",
    "door_orders",
    "trackers",
    "crowds",
    "reloads",
    "side_job_faults",
)
"""Modules of `acts` that have kinds of acts."""
SHORTEST_S, LONGEST_S = 8.0, 30.0
QUIET_S = 8.0
"""Time after the last act in which everything has to come right."""
MOST_ACTS = 14
OFTEN = 8.0
"""How many times as often a story has the kinds of acts that it is about."""
Args = dict[str, Any]


@dataclass(frozen=True)
class Act:
    """One thing that happens at a time; `args` is plain data for its kind."""

    at_s: float
    kind: str
    args: Args

    def __str__(self) -> str:
        return f"{self.at_s:7.3f} s  {ACTS[self.kind].tell(self.args)}"


@dataclass(frozen=True)
class ActKind:
    """A kind of act.

    Attributes:
        draw: the arguments of one, drawn for a story's rig.
        do: does it; a `RuntimeError` in it is a fault of the simulation itself.
        tell: one clause for people.
        share: how often it is drawn, beside the others.
        settles_s: 0 for what people do; for a fault, the time within which everything must be right again,
            or told, once it is over.
        suits: whether a rig has what the act needs.
        may_lie: whether somebody tells of the studio in it, and perhaps wrongly.
    """

    draw: Callable[[Random, Args], Args]
    do: Callable[[World, Args], Awaitable[None]]
    tell: Callable[[Args], str]
    share: float = 1.0
    settles_s: float = 0.0
    suits: Callable[[Args], bool] = lambda rig: True
    may_lie: bool = False


ACTS: dict[str, ActKind] = {}


def load_areas() -> None:
    """Import every module that has kinds of acts."""
    for area in AREAS:
        importlib.import_module(f"simulation.acts.{area}")


@dataclass(frozen=True)
class Story:
    """What is played: the rig's tables as plain data (`rigs.toml` writes the file), and the acts by time.

    `seed` also decides everything that is not an act: who goes first, and how long things take.
    """

    seed: int
    rig: Args
    acts: tuple[Act, ...]
    lasts_s: float

    def with_acts(self, acts: tuple[Act, ...]) -> Story:
        return replace(self, acts=acts)

    def told(self) -> str:
        """Tell the story to a person."""
        heads = ", ".join(f"{head['name']} ({head['drive']['driver']})" for head in self.rig["heads"])
        lines = [f"seed {self.seed}: a studio of {heads}; {self.lasts_s:.0f} s", *map(str, self.acts)]
        return "\n".join(lines)

    def as_json(self) -> str:
        return json.dumps(asdict(self), indent=1, sort_keys=True)

    @classmethod
    def from_json(cls, text: str) -> Story:
        read = json.loads(text)
        return cls(**{**read, "acts": tuple(Act(**act) for act in read["acts"])})


def drawn(
    seed: int,
    rig_of: Callable[[Random], Args],
    kinds: Mapping[str, ActKind] | None = None,
    about: Collection[str] = (),
) -> Story:
    """Draw the story of a seed; the kinds of acts that it is `about` come often in it."""
    random = Random(f"story {seed}")
    rig = rig_of(random)
    # By name, whatever was imported first.
    known = {name: kind for name, kind in sorted((kinds or ACTS).items()) if kind.suits(rig)}
    lasts_s = random.uniform(SHORTEST_S, LONGEST_S)
    names = list(known)
    shares = [kind.share * (OFTEN if name in about else 1.0) for name, kind in known.items()]
    acts = []
    for _ in range(random.randint(2, MOST_ACTS)):
        name = random.choices(names, shares)[0]
        acts.append(Act(round(random.uniform(1.0, lasts_s), 3), name, known[name].draw(random, rig)))
    return Story(seed, rig, tuple(sorted(acts, key=lambda act: act.at_s)), round(lasts_s + QUIET_S, 3))
