"""Contract: what a daemon takes from its machine comes by one `System`, for which another may stand in."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import fillside
import fillside_drivers

TAKEN = frozenset(
    {
        "time.time",
        "time.monotonic",
        "time.sleep",
        "socket.socket",
        "sqlite3.connect",
        "threading.Thread",
        "threading.Condition",
        "uuid.uuid4",
        "aiomqtt.Client",
        "serial.Serial",
        "asyncio.create_subprocess_exec",
    }
)
"""Calls that take something from the machine."""
EXCEPTIONS = {
    "fillside_drivers/system.py": "the system itself",
    "fillside/cli": "commands of a person, which end by themselves",
    "fillside/demo": "a studio for people to look at",
    "fillside/doors/keys": "a program of its own, which speaks to the daemon",
    "fillside/background/worker_process.py": "the daemon is given what makes these",
    "fillside/daemon/notify.py": "the service manager's socket, which only a service has",
    "fillside/doors/http/invitation.py": "asks by which address this machine is reached; nothing is sent",
    "fillside/storage/database.py": "the name of a database in memory, which nobody sees",
    "fillside/storage/repair": "reads files that nobody writes any more",
}
ROOTS = {
    "fillside": Path(fillside.__file__).parent,
    "fillside_drivers": Path(fillside_drivers.__file__).parent,
}


def _calls(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            name = f"{ast.unparse(node.func)}"
            if name in TAKEN:
                yield name


def _taken() -> dict[str, list[str]]:
    found = {}
    for root, folder in ROOTS.items():
        for path in sorted(folder.rglob("*.py")):
            calls = sorted(set(_calls(ast.parse(path.read_text("utf-8")))))
            if calls:
                found[f"{root}/{path.relative_to(folder)}"] = calls
    return found


def test_nothing_is_taken_from_the_machine_but_through_the_system() -> None:
    beside = {name: calls for name, calls in _taken().items() if not name.startswith(tuple(EXCEPTIONS))}
    assert beside == {}


@pytest.mark.parametrize("exception", EXCEPTIONS)
def test_an_exception_is_needed(exception: str) -> None:
    assert any(name.startswith(exception) for name in _taken())


def _told_the_time_twice() -> list[str]:
    """Return the functions of the doors that take a clock beside the system that has one."""
    found = []
    for path in sorted((ROOTS["fillside"] / "doors").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                names = {each.arg for each in (*node.args.args, *node.args.kwonlyargs)}
                if {"clock", "system"} <= names:
                    found.append(f"{path.name}: line {node.lineno}")
    return found


def test_no_door_is_told_the_time_beside_its_system() -> None:
    assert _told_the_time_twice() == []
