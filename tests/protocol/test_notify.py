"""Protocol: what the service manager hears over a real socket (sd_notify(3), sd_watchdog_enabled(3))."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from fillside.daemon.notify import Notifier


class Clock:
    def __init__(self) -> None:
        self.now = 50.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.setblocking(False)
        yield listening


def notifier(manager: socket.socket, clock: Clock | None = None, **more: str) -> Notifier:
    return Notifier({"NOTIFY_SOCKET": manager.getsockname(), **more}, clock or Clock())


def heard(manager: socket.socket) -> list[str]:
    """The lines of one datagram."""
    return manager.recv(4096).decode("utf-8").split("\n")


def nothing_heard(manager: socket.socket) -> bool:
    try:
        manager.recv(4096)
    except BlockingIOError:
        return True
    return False


def test_ready_and_stopping_are_one_datagram_each(manager: socket.socket) -> None:
    speaker = notifier(manager)
    speaker.ready("corner: follow")
    assert heard(manager) == ["READY=1", "STATUS=corner: follow"]
    speaker.stopping()
    assert heard(manager) == ["STOPPING=1"]


def test_a_reload_says_when_it_began(manager: socket.socket) -> None:
    before = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
    notifier(manager).reloading()
    word, when = heard(manager)
    assert word == "RELOADING=1"
    name, _, value = when.partition("=")
    assert name == "MONOTONIC_USEC"
    assert before <= int(value) <= time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000


def test_a_status_is_one_line_and_said_when_it_changes(manager: socket.socket) -> None:
    speaker = notifier(manager)
    speaker.status("ratio 2.0:1\nREADY=1")
    assert heard(manager) == ["STATUS=ratio 2.0:1 READY=1"]
    speaker.status("ratio 2.0:1\nREADY=1")
    assert nothing_heard(manager)


def test_the_watchdog_hears_of_completed_turns_and_of_nothing_else(manager: socket.socket) -> None:
    clock = Clock()
    speaker = notifier(manager, clock, WATCHDOG_USEC="8000000", WATCHDOG_PID=str(os.getpid()))
    assert speaker.watchdog_s == 8.0
    clock.now += 100
    assert nothing_heard(manager)
    speaker.turn_completed()
    assert heard(manager) == ["WATCHDOG=1"]
    clock.now += 1.0
    speaker.turn_completed()
    assert nothing_heard(manager)
    clock.now += 3.0
    speaker.turn_completed()
    assert heard(manager) == ["WATCHDOG=1"]


@pytest.mark.parametrize(
    "environ",
    [{}, {"WATCHDOG_USEC": ""}, {"WATCHDOG_USEC": "-5"}, {"WATCHDOG_USEC": "5", "WATCHDOG_PID": "1"}],
)
def test_no_watchdog_that_is_not_ours(manager: socket.socket, environ: dict[str, str]) -> None:
    speaker = notifier(manager, **environ)
    assert speaker.watchdog_s is None
    speaker.turn_completed()
    assert nothing_heard(manager)


def test_the_abstract_namespace_begins_with_a_zero_octet() -> None:
    name = f"fillside-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind("\0" + name)
        Notifier({"NOTIFY_SOCKET": "@" + name}).stopping()
        assert listening.recv(64) == b"STOPPING=1"


@pytest.mark.parametrize("named", ["", "relative", "/nowhere/at/all"])
def test_nobody_who_listens_is_no_trouble(named: str) -> None:
    speaker = Notifier({"NOTIFY_SOCKET": named})
    speaker.ready("up")
    assert speaker.wanted == named.startswith("/")
