"""Mutants tried under pytest, each in a fork after the collection, in memory alone, with tests that reach it.

One fork before them runs every test and notes the lines that it comes to: those behind a cache that another
test filled as well, and those of a fixture that lasts, for each test of its module.
"""

from __future__ import annotations

import gc
import inspect
import os
import pickle
import signal
import sys
import threading
import time
import traceback
from collections import defaultdict
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from functools import _lru_cache_wrapper
from pathlib import Path
from types import CodeType, FrameType, FunctionType
from typing import Any

import pytest
from _pytest.runner import runtestprotocol
from hypothesis import Phase, settings

from mutation.mutants import Mutant

ROOT = Path(__file__).resolve().parents[2]
SURVIVED, KILLED = 0, 3
"""Exit codes of a fork that tried a mutant; another one is no verdict."""
WAITING_S = 25.0
"""Time that a fork may wait for others beyond that which it may work: the machine may be busy."""
Place = tuple[str, int]


@dataclass
class Ways:
    """What the tests came to: those of each line, by number; how long each took; which failed."""

    tests: defaultdict[Place, set[int]] = field(default_factory=lambda: defaultdict(set))
    seconds: list[float] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)


class Trials:
    """A plug-in that tries `mutants` in place of running the tests, and tells each verdict."""

    def __init__(self, mutants: list[Mutant], tell: Callable[[Mutant, str], None], within_s: float) -> None:
        self.mutants, self.tell, self.within_s = mutants, tell, within_s
        self.trouble = ""
        self.items: list[pytest.Item] = []
        self.functions: defaultdict[tuple[str, str, int], list[FunctionType]] = defaultdict(list)
        self.tracing = Tracing({str(mutant.path) for mutant in mutants})

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection(self) -> None:
        """Have hypothesis draw the same every time, and neither keep nor shorten what fails."""
        phases = (Phase.explicit, Phase.generate)
        settings.register_profile("mutation", deadline=None, database=None, derandomize=True, phases=phases)
        settings.load_profile("mutation")

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef[Any]) -> Generator[None, object, object]:
        """Note apart what a fixture comes to that tests share."""
        with self.tracing.apart() if fixturedef.scope != "function" else nullcontext():
            return (yield)

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Try every mutant."""
        self.items = session.items
        gc.unfreeze()
        for it in gc.get_objects():
            if isinstance(it, FunctionType):
                code = it.__code__
                self.functions[code.co_filename, code.co_qualname, code.co_firstlineno].append(it)
        session.config.pluginmanager.unregister(name="terminalreporter")
        status, said = in_fork(self.explore, 3_600.0)
        if session.testsfailed or status:
            self.trouble = "the tests do not run"
            return True
        ways: Ways = pickle.loads(said)
        self.trouble = "".join(f"left out, as it fails without any mutant: {name}\n" for name in ways.failed)
        for mutant in self.mutants:
            self.tell(mutant, self.verdict(mutant, ways))
        return True

    def explore(self) -> bytes:
        """Run all tests, and return the ways they went."""
        ways = Ways()
        caches = [it for it in gc.get_objects() if isinstance(it, _lru_cache_wrapper) and is_ours(it)]
        shared: defaultdict[Path, set[Place]] = defaultdict(set)
        for number, item in enumerate(self.items):
            for cache in caches:
                cache.cache_clear()
            began_s = time.perf_counter()
            with self.tracing:
                failed = fails(item, self.items[number + 1 : number + 2])
            ways.seconds.append(time.perf_counter() - began_s)
            shared[item.path] |= self.tracing.shared
            if failed:
                ways.failed.append(item.nodeid)
                continue
            for place in self.tracing.seen:
                ways.tests[place].add(number)
        for number, item in enumerate(self.items):
            for place in shared[item.path] if item.nodeid not in ways.failed else ():
                ways.tests[place].add(number)
        return pickle.dumps(ways)

    def verdict(self, mutant: Mutant, ways: Ways) -> str:
        """Return what becomes of a mutant: "none" if it is no fault at all."""
        code = mutant.code()
        if code is None:
            return "none"
        reached = (ways.tests.get((str(mutant.path), line), set()) for line in mutant.lines)
        chosen: list[int] = []
        spent_s = 0.0
        for number in sorted(set[int]().union(*reached), key=lambda number: ways.seconds[number]):
            spent_s += ways.seconds[number]
            if not chosen or spent_s <= self.within_s:
                chosen.append(number)
        functions = self.functions[str(mutant.path), *mutant.function]
        if not chosen or not functions:
            return "unreached"
        limit_s = 5.0 + 3.0 * sum(ways.seconds[number] for number in chosen)
        status, _ = in_fork(lambda: self.attempt(code, functions, chosen), limit_s)
        if os.WIFSIGNALED(status):
            return "timeout" if os.WTERMSIG(status) in {signal.SIGPROF, signal.SIGALRM} else "killed"
        return {SURVIVED: "survived", KILLED: "killed"}[os.WEXITSTATUS(status)]

    def attempt(self, code: CodeType, functions: Iterable[FunctionType], chosen: list[int]) -> bytes:
        """Put the fault in, and run tests until one fails; return only if none does."""
        for function in functions:
            function.__code__ = code
        tests = [self.items[number] for number in chosen]
        for place, item in enumerate(tests, 1):
            if fails(item, tests[place : place + 1]):
                os._exit(KILLED)
        return b""


class Tracing:
    """Times in which the lines of some files are noted that any thread comes to."""

    def __init__(self, paths: set[str]) -> None:
        self.paths = paths
        self.seen: set[Place] = set()
        self.shared: set[Place] = set()
        self._notes = self.seen

    def __enter__(self) -> None:
        self.seen, self.shared = set(), set()
        self._notes = self.seen
        threading.settrace(self.call)
        sys.settrace(self.call)

    def __exit__(self, *_: object) -> None:
        sys.settrace(None)
        threading.settrace(None)

    @contextmanager
    def apart(self) -> Iterator[None]:
        """Note as shared what is come to meanwhile."""
        before, self._notes = self._notes, self.shared
        try:
            yield
        finally:
            self._notes = before

    def call(self, frame: FrameType, _event: str, _arg: Any) -> Any:
        """Look on at the lines of a function, if it is of those files."""
        return self.line if frame.f_code.co_filename in self.paths else None

    def line(self, frame: FrameType, event: str, _arg: Any) -> Any:
        """Note a line."""
        if event == "line":
            self._notes.add((frame.f_code.co_filename, frame.f_lineno))
        return self.line


def is_ours(cached: Any) -> bool:
    """Tell whether a cached function is of the product or its tests."""
    code = getattr(inspect.unwrap(cached), "__code__", None)
    return code is not None and code.co_filename.startswith(str(ROOT))


def fails(item: pytest.Item, following: list[pytest.Item]) -> bool:
    """Run a test, and tell whether it fails."""
    reports = runtestprotocol(item, log=False, nextitem=following[0] if following else None)
    return any(report.failed for report in reports)


def in_fork(work: Callable[[], bytes], limit_s: float) -> tuple[int, bytes]:
    """Return a fork's exit status and what its work returned.

    It is ended after so many seconds of work, or a little more of waiting.
    """
    reads, writes = os.pipe()
    child = os.fork()
    if child:
        os.close(writes)
        with open(reads, "rb") as pipe:
            said = pipe.read()
        return os.waitpid(child, 0)[1], said
    try:
        told, silence = os.dup(2), os.open(os.devnull, os.O_WRONLY)
        os.dup2(silence, 1)
        os.dup2(silence, 2)
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_PROF, limit_s)
        signal.setitimer(signal.ITIMER_REAL, limit_s + WAITING_S)
        said = work()
        with open(writes, "wb") as pipe:
            pipe.write(said)
        os._exit(SURVIVED)
    except BaseException:
        os.write(told, traceback.format_exc().encode())
    finally:
        os._exit(1)
