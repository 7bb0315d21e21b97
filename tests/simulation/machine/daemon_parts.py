"""The parts of a running daemon, found by the tasks that it runs."""

from __future__ import annotations

import re
from collections import Counter
from typing import Any

from fillside.runtime.loop import Runner
from simulation.machine.loop import Process

ONCE = re.compile(r"-\d+$")


def runner_of(process: Process) -> Runner | None:
    """Return the loop around the held light, None while there is none."""
    for task, coroutine in process.tasks.items():
        frame = getattr(coroutine, "cr_frame", None)
        if task.get_name() == "light" and frame is not None:
            found = frame.f_locals["self"]
            assert isinstance(found, Runner)
            return found
    return None


def part(process: Process, job: str) -> Any:
    """Return the object whose method is the side job of this name, None if that job does not run."""
    for task, coroutine in process.tasks.items():
        frame = getattr(coroutine, "cr_frame", None)
        if task.get_name() == job and frame is not None and "job" in frame.f_locals:
            return getattr(frame.f_locals["job"], "__self__", None)
    return None


def task_names(process: Process) -> Counter[str]:
    """Return how many tasks of each name a process has; those without a name of their own are one."""
    return Counter(ONCE.sub("", task.get_name()) for task in process.tasks)
