"""A world: one machine with a daemon on it, its lamps, and what the checks saw."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import logging
import math
import signal
import tempfile
import tomllib
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

import rigs
from fillside.daemon.composition import Settings, run_until_stopped
from fillside.doors.http.listening import Listen
from fillside.rig.problems import RigError
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig
from simulation.machine.broker import MemoryBroker
from simulation.machine.broker_client import SimulatedClient
from simulation.machine.disk import Disk
from simulation.machine.loop import Process, SimulatedLoop, run
from simulation.machine.network import SimulatedNetwork
from simulation.machine.system import SimulatedSystem
from simulation.stories import ACTS, Act, Story
from simulation.studio.bulbs import bulbs_of, is_bulb
from simulation.studio.lamps import Lamp, Stage
from simulation.visitors import visitors
from simulation.visitors.desk import Desk, has_door
from simulation.visitors.guests import Guest

SCRATCH = "/dev/shm"
"""Memory, where it can be had; a disk is slower and does the same."""
BROKER_DOORS = ("mqtt door", "homie door")
KNOWN_AFTER_S = 0.3
"""Time in which it is stored that a lamp is on its way out."""
LEAVE_WITHIN_S = 1.0
"""Time from the last act to the end, in which visitors leave."""
STARTS_WITHIN_S, STOPS_WITHIN_S = 1.0, 20.0


@dataclass(frozen=True)
class Complaint:
    """A rule that did not hold, and where."""

    at_s: float
    rule: str
    text: str

    def __str__(self) -> str:
        return f"{self.at_s:7.3f} s  {self.rule}: {self.text}"


@dataclass
class Given:
    """An order that was given to the daemon at a door: `answer` is what came back, None while nothing has."""

    order: dict[str, Any]
    door: str
    given_s: float
    run: int
    """Number of the daemon's start in which it was given."""
    answered_s: float | None = None
    answer: dict[str, Any] | None = None

    @property
    def acknowledged(self) -> bool:
        return self.answer is not None and bool(self.answer.get("ok"))


class World:
    """Everything that one story needs. `complain` is called by checks."""

    def __init__(self, story: Story, loop: SimulatedLoop, folder: Path) -> None:
        self.story, self.loop, self.folder = story, loop, folder
        self.random = Random(f"world {story.seed}")
        self.network = SimulatedNetwork(loop, self.random)
        self.disk = Disk(folder, Random(f"disk {story.seed}"), loop.time)
        self.broker = MemoryBroker(loop, Random(f"broker {story.seed}"))
        self.system = SimulatedSystem(
            loop, self.network, self.random, self.disk.database, partial(SimulatedClient, self.broker)
        )
        self.bulbs = bulbs_of(story.rig, self.broker, story.seed)
        self.lamps = {
            head["name"]: Lamp(head) for head in story.rig["heads"] if not is_bulb(head)
        } | self.bulbs
        self.stranger = Guest(self.broker, "stranger")
        self.stranger.begin()
        self.desk = Desk(self.broker) if has_door(story.rig) else None
        self.stage = Stage(self.network, story.rig, self.lamps)
        self.broker.on_sent.append(lambda message: self.stage.octets.append(message.payload))
        self.rig_file = folder / "rig.toml"
        self.rig_file.write_text(rigs.toml(story.rig), "utf-8")
        self.process: Process | None = None
        self.runs = 0
        """How often the daemon was started."""
        self.started_s = 0.0
        self.rig = story.rig
        """The tables of the rig file as the daemon took it last."""
        self.editing = asyncio.Lock()
        """Held by whoever edits the rig file."""
        self.given: list[Given] = []
        self.on_answer: list[visitors.Hear] = []
        self.asking, self.asked_s = 0, -math.inf
        """How many questions to the HTTP door are under way, and when the last one was over."""
        self.complaints: list[Complaint] = []
        self.happened: list[tuple[float, str]] = []
        self.right_from_s = 0.0
        """The time from which everything has to be right, or told, if no further fault comes."""
        self.unsettled: list[tuple[float, float]] = []
        """From when until when each fault went on and settled; the end is endless meanwhile."""
        self.on_start: list[Callable[[], object]] = []
        self.on_end: list[Callable[[], object]] = []
        self.logged: list[str] = []
        """Exceptions that the daemon logged."""
        self.processes: list[Process] = []
        self.troubled: set[str] = set()
        """Side jobs that an act has troubled, and that may fail since."""
        self.may_step: set[str] = set()
        """Lamps whose latest light the disk may not have: the first code may be another."""
        self.going_out: dict[str, float] = {}
        """Lamps that have left the rig file and are not out, and since when the daemon has said so."""
        self._daemon: asyncio.Task[None] | None = None
        self._unrestored = 0

    @property
    def now(self) -> float:
        return self.loop.now

    def complain(self, rule: str, text: str) -> None:
        """Note that a rule did not hold."""
        self.complaints.append(Complaint(self.now, rule, text))

    def note(self, text: str) -> None:
        """Note what happened, for the story that a person reads."""
        self.happened.append((self.now, text))

    def unsettle(self, seconds: float) -> None:
        """Ask for nothing to be right before this time has passed."""
        self.right_from_s = max(self.right_from_s, self.now + seconds)

    @contextlib.contextmanager
    def fault(self, settles_s: float) -> Iterator[None]:
        """Let a fault go on while inside; everything must be right again so long after it."""
        begun_s, place = self.now, len(self.unsettled)
        self.unsettled.append((begun_s, math.inf))
        self.unsettle(settles_s)
        try:
            yield
        finally:
            self.unsettle(settles_s)
            self.unsettled[place] = begun_s, self.now + settles_s

    def had_fault(self, since_s: float, until_s: float | None = None) -> bool:
        """Return true if a fault went on, or settled, at any time between these; until now if left out."""
        until_s = self.now if until_s is None else until_s
        return any(begun_s <= until_s and ended_s > since_s for begun_s, ended_s in self.unsettled)

    def may_fail(self, job: str) -> bool:
        """Return true if something that happened excuses a side job's failing."""
        return job in self.troubled or (job in BROKER_DOORS and self.broker.has_failed)

    @property
    def may_be_metered(self) -> bool:
        """True if a reading may count; the lamps of this world do not dim as readings say."""
        return any(
            one.order["do"] in ("read", "import") and "error" not in (one.answer or {}) for one in self.given
        )

    @property
    def may_be_misled(self) -> bool:
        """True if a reading may count that was a lie."""
        return self.may_be_metered and any(ACTS[act.kind].may_lie for act in self.story.acts)

    @property
    def has_stage(self) -> bool:
        """True if some lamps are on E1.31."""
        return any(head["drive"]["driver"] == "stage" for head in self.rig["heads"])

    @property
    def is_calm(self) -> bool:
        """True if no fault lasts and everything has to be right, or told."""
        return self.faults_now == 0 and self.now >= self.right_from_s

    @property
    def faults_now(self) -> int:
        """The number of faults that last at this time."""
        return sum(ended_s == math.inf for _, ended_s in self.unsettled)

    # The daemon

    @property
    def is_up(self) -> bool:
        return self.process is not None and self.process.alive

    def start(self) -> None:
        """Start the daemon anew on what is on the disk."""
        if self.disk.behind:
            self.may_step = set(self.lamps)
        self.disk.behind = False
        settings = Settings(
            self.disk.data, self.folder / "tokens.json", Listen(*visitors.DOOR), rig_file=self.rig_file
        )
        rig, system = self._load_rig(), self.system

        async def main() -> None:
            await run_until_stopped(rig, settings, {}, system, system.workers)

        self.runs += 1
        self.started_s = self.now
        self.process, self._daemon = self.loop.start_process(f"daemon {self.runs}", main)
        self.processes.append(self.process)
        self.process.on_death.insert(0, self.disk.killed)
        self.process.on_death.append(self._died)
        for tell in self.on_start:
            tell()

    def _died(self) -> None:
        known = {name: at_s for name, at_s in self.going_out.items() if self.now - at_s > KNOWN_AFTER_S}
        self.going_out = known

    def _load_rig(self) -> Rig:
        """Load the rig file; somebody puts the one before back if it is broken."""
        try:
            rig = load_rig(self.rig_file)
            self.rig = tomllib.loads(self.rig_file.read_text("utf-8"))
        except RigError:
            self.rig_file.write_text(rigs.toml(self.rig), "utf-8")
            rig = load_rig(self.rig_file)
        return rig

    def kill(self) -> None:
        """End the daemon as `kill -9` does."""
        if self.process is not None and self.process.alive:
            self.loop.kill(self.process)

    async def stop(self) -> None:
        """End the daemon by SIGTERM, and look at what it leaves."""
        await asyncio.sleep(max(0.0, self.started_s + STARTS_WITHIN_S - self.now))
        process, daemon = self.process, self._daemon
        if process is None or daemon is None or not process.alive:
            return
        self.loop.signal(process, signal.SIGTERM)
        ended = asyncio.Event()
        process.on_death.append(ended.set)
        daemon.add_done_callback(lambda _: ended.set())
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(STOPS_WITHIN_S):
                await ended.wait()
        if not process.alive:
            return  # somebody killed it meanwhile
        if not daemon.done():
            self.complain("ends", f"the daemon did not end within {STOPS_WITHIN_S:g} s")
            self.loop.kill(process)
            return
        if not daemon.cancelled() and (error := daemon.exception()) is not None:
            self.complain("ends", f"the daemon ended by {error!r}")
        await asyncio.sleep(0.01)
        if process.tasks:
            self.complain("tasks", f"left behind: {[task.get_name() for task in process.tasks]}")
        process.alive = False
        self.disk.ended()

    async def ask(self, method: str, path: str, body: Any = None) -> tuple[int, Any]:
        """Ask the HTTP door. Raises visitors.NoAnswerError."""
        self.asking += 1
        try:
            return await visitors.ask(self.network, method, path, body, hear=self.hear)
        finally:
            self.asking, self.asked_s = self.asking - 1, self.now

    def hear(self, answer: visitors.Answer) -> None:
        """Tell who wants to know of an answer of the HTTP door."""
        for tell in self.on_answer:
            tell(answer)

    async def order(self, order: dict[str, Any]) -> Given:
        """Give an order at the HTTP door, and keep what was answered."""
        given = Given(order, "http", self.now, self.runs)
        self.given.append(given)
        with contextlib.suppress(visitors.NoAnswerError):
            _, given.answer = await self.ask("POST", "/api/v1/do", order)
            given.answered_s = self.now
        return given

    async def state(self) -> dict[str, Any] | None:
        """Return the state as the HTTP door shows it; None without an answer."""
        try:
            status, body = await self.ask("GET", "/api/v1/state")
        except visitors.NoAnswerError:
            return None
        return body if status == 200 else None


@dataclass(frozen=True)
class Outcome:
    """What came of a story. `digest` is of every packet and every line of the journal."""

    story: Story
    complaints: tuple[Complaint, ...]
    happened: tuple[tuple[float, str], ...]
    digest: str
    steps: int

    @property
    def failed(self) -> str | None:
        """The rule that did not hold first; None if all did."""
        return self.complaints[0].rule if self.complaints else None

    def told(self) -> str:
        """Tell the story with what happened in it, in order of time."""
        lines = [(act.at_s, str(act)) for act in self.story.acts]
        lines += [(at_s, f"{at_s:7.3f} s    {text}") for at_s, text in self.happened]
        lines += [(one.at_s, f"{one.at_s:7.3f} s  ** {one.rule}: {one.text}") for one in self.complaints]
        return "\n".join(
            [self.story.told().split("\n")[0], *(text for _, text in sorted(lines, key=lambda one: one[0]))]
        )


Check = Callable[[World], contextlib.AbstractAsyncContextManager[None]]
"""Looks on while inside, and complains to the world."""


async def _play(world: World, checks: list[Check]) -> None:
    story = world.story
    async with contextlib.AsyncExitStack() as stack:
        for check in checks:
            await stack.enter_async_context(check(world))
        world.start()
        async with asyncio.TaskGroup() as acts:
            for act in story.acts:
                acts.create_task(_act(world, act))
        await asyncio.sleep(max(LEAVE_WITHIN_S, story.lasts_s - world.now))
        for tell in world.on_end:
            tell()
        if not world.is_up:
            world.start()
        await world.stop()


async def _act(world: World, act: Act) -> None:
    await asyncio.sleep(act.at_s)
    kind = ACTS[act.kind]
    with world.fault(kind.settles_s) if kind.settles_s else contextlib.nullcontext():
        await kind.do(world, act.args)


class _Exceptions(logging.Handler):
    def __init__(self, found: list[str]) -> None:
        super().__init__(logging.ERROR)
        self._found = found

    def emit(self, record: logging.LogRecord) -> None:
        error = record.exc_info[1] if record.exc_info else None
        # What is told without having been raised is news of a peer, such as a broker that has gone.
        if error is not None and error.__traceback__ is not None:
            where = traceback.extract_tb(error.__traceback__)[-1]
            place = f"{Path(where.filename).name}:{where.lineno}"
            self._found.append(f"{record.getMessage()}: {error!r} at {place}")


@contextlib.contextmanager
def _listening_to_logs(found: list[str]) -> Iterator[None]:
    """Collect the exceptions that are logged, and nothing else; nothing is printed."""
    root, handler = logging.getLogger(), _Exceptions(found)
    before = root.handlers[:], root.level
    root.handlers[:] = [handler]
    root.setLevel(logging.ERROR)
    try:
        yield
    finally:
        root.handlers[:], level = before
        root.setLevel(level)


def play(story: Story, checks: list[Check]) -> Outcome:
    """Play a story from beginning to end on a loop of its own."""
    loop = SimulatedLoop(Random(f"order {story.seed}"))
    scratch = SCRATCH if Path(SCRATCH).is_dir() else None
    with tempfile.TemporaryDirectory(prefix="fillside-", dir=scratch) as folder:
        world = World(story, loop, Path(folder))
        with _listening_to_logs(world.logged):
            run(loop, _play(world, checks))
        for failure in loop.failures:
            world.complain("world", str(failure))
        rows = "\n".join(map(repr, world.disk.journal()))
        # The folder has another name each time, and stands in what is said of the rig file.
        seen = b"".join([*world.stage.octets, rows.encode()]).replace(folder.encode(), b"")
        digest = hashlib.sha256(seen).hexdigest()
        steps = sum(process.steps for process in world.processes)
    return Outcome(story, tuple(world.complaints), tuple(world.happened), digest, steps)
