"""Journey: a two-button foot switch walks a programme of marks, in a terminal and as an input device."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import pty
import select
import signal
import subprocess
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from fillside.doors.keys.device import DeviceError, InputDevice, press_of
from journeys.running import Daemon, command, running

PAGE_UP, PAGE_DOWN = b"\x1b[5~", b"\x1b[6~"
KEYS = """
[keys]
programme = ["chair", "desk", "chair"]
step_pause_ms = 0
debounce_ms = 0

[keys.press]
page_down = "next"
page_up = "previous"
b = "freeze-or-follow"
plus = "trim fill +1/2"
x = "trim fill +6"
"""


def until(true: Callable[[], object], within_s: float = 60.0) -> None:
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, "did not come true"
        time.sleep(0.02)


class Typist:
    """``fillside keys`` in a pseudo-terminal of its own."""

    def __init__(self, url: str, *args: str) -> None:
        self._ours, self.theirs = pty.openpty()
        self.before = termios.tcgetattr(self.theirs)
        # What runs in the background of a shell has the interrupt ignored, and its children inherit that.
        heeded = signal.signal(signal.SIGINT, signal.default_int_handler)
        try:
            self.process = subprocess.Popen(
                command("keys", *args, "--url", url),
                stdin=self.theirs,
                stdout=self.theirs,
                stderr=self.theirs,
                start_new_session=True,
            )
        finally:
            signal.signal(signal.SIGINT, heeded)
        self._seen = b""

    @property
    def screen(self) -> str:
        while select.select([self._ours], [], [], 0)[0]:
            with contextlib.suppress(OSError):
                self._seen += os.read(self._ours, 65536)
                continue
            break
        return self._seen.decode("utf-8", "replace").replace("\r\n", "\n")

    def type(self, octets: bytes) -> None:
        os.write(self._ours, octets)

    @property
    def listens(self) -> bool:
        """Whether it reads key by key already: neither lines nor echo."""
        local: int = termios.tcgetattr(self.theirs)[3]
        return not local & (termios.ICANON | termios.ECHO)

    def hang_up(self) -> None:
        os.close(self._ours)
        self._ours = -1

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        if self._ours >= 0:
            os.close(self._ours)
        os.close(self.theirs)


@contextlib.contextmanager
def typing(daemon: Daemon, *args: str) -> Iterator[Typist]:
    with contextlib.closing(Typist(daemon.url, *args)) as typist:
        until(lambda: typist.listens or typist.process.poll() is not None)
        yield typist


@pytest.fixture
def table(rig: Path) -> Path:
    rig.write_text(rig.read_text() + KEYS)
    return rig


def mark(daemon: Daemon) -> Any:
    return daemon.get("/api/v1/state")["subject_seen"]["mark"]


def test_a_foot_switch_walks_the_programme_in_a_terminal(table: Path, tmp_path: Path) -> None:
    with running(table, tmp_path / "kept") as daemon, typing(daemon, str(table)) as typist:
        assert "programme: chair, desk, chair" in typist.screen
        typist.type(PAGE_DOWN)
        until(lambda: mark(daemon) == "desk")
        typist.type(PAGE_DOWN)
        until(lambda: mark(daemon) == "chair")
        typist.type(PAGE_DOWN)
        until(lambda: "chair is the end of the programme" in typist.screen)
        typist.type(PAGE_UP + PAGE_UP)
        until(lambda: typist.screen.count("move desk") == 2 and mark(daemon) == "chair")
        typist.type(b"b")
        until(lambda: daemon.get("/api/v1/state")["mode"] == "freeze")
        typist.type(b"b+")
        until(lambda: daemon.get("/api/v1/state")["trims"] == {"fill": 0.5})
        assert daemon.get("/api/v1/state")["mode"] == "follow"


def test_the_terminal_is_given_back_however_it_ends(table: Path, tmp_path: Path) -> None:
    with running(table, tmp_path / "kept") as daemon:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            with typing(daemon, str(table)) as typist:
                assert termios.tcgetattr(typist.theirs) != typist.before
                typist.process.send_signal(number)
                assert typist.process.wait(10) == 0
                assert termios.tcgetattr(typist.theirs) == typist.before
                assert "Traceback" not in typist.screen
        with typing(daemon, str(table)) as typist:
            typist.hang_up()
            assert typist.process.wait(10) == 0


def test_after_a_stop_the_keys_are_read_one_by_one_again(table: Path, tmp_path: Path) -> None:
    with running(table, tmp_path / "kept") as daemon, typing(daemon, str(table)) as typist:
        termios.tcsetattr(typist.theirs, termios.TCSANOW, typist.before)
        typist.process.send_signal(signal.SIGCONT)
        until(lambda: typist.listens)
        typist.type(PAGE_DOWN)
        until(lambda: mark(daemon) == "desk")
        assert typist.listens


def test_refusals_and_a_daemon_that_stops_are_said_and_end_nothing(table: Path, tmp_path: Path) -> None:
    with running(table, tmp_path / "kept") as daemon, typing(daemon, str(table), "--json") as typist:
        typist.type(b"xx")
        until(lambda: "trims go 6 stops up and down" in typist.screen)
        typist.type(b"q")
        until(lambda: "q does nothing" in typist.screen)
        daemon.stop()
        typist.type(b"b")
        until(lambda: "no daemon answers" in typist.screen)
        assert typist.process.poll() is None
        first, *_ = [json.loads(line) for line in typist.screen.splitlines()]
        assert first["key"] == "x"
        assert first["order"] == {"do": "trim", "role": "fill", "by": 6.0}
        assert first["answer"]["state"]["trims"] == {"fill": 6.0}


WRONG = (
    (["--keys", "missing.toml"], ("there is no such file",), 2),
    (["--keys", "bad.toml"], ('did you mean "next"?',), 2),
    (["--keys", "stranger.toml"], ("corner has no mark 'moon'",), 2),
    (["rig.toml", "--keys", "bad.toml"], ("not both",), 2),
    (["--device", "/nonexistent/event0"], ("there is no such device", "the package evdev"), 1),
    (["--device", "/dev/null"], ("is no input device", "the package evdev"), 1),
)
"""What is typed, what is told (the second where evdev is not installed), and the exit status."""


def test_wrong_use_is_one_line(table: Path, tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text('[keys.press]\nspace = "nxt"\n')
    (tmp_path / "stranger.toml").write_text('[keys]\nprogramme = ["moon"]\n')
    ours, theirs = pty.openpty()
    with running(table, tmp_path / "kept") as daemon:
        for args, told, status in WRONG:
            words = command("keys", *args, "--url", daemon.url)
            with subprocess.Popen(words, cwd=tmp_path, stdin=theirs, stderr=subprocess.PIPE) as process:
                _, said = process.communicate(timeout=60)
            assert process.returncode == status, args
            assert len(said.splitlines()) == 1
            assert any(part in said.decode() for part in told), said
    os.close(ours)
    os.close(theirs)


def test_without_a_terminal_a_device_is_asked_for() -> None:
    done = subprocess.run(
        command("keys"), stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=30, check=False
    )
    assert done.returncode == 2
    assert "give --device" in done.stderr


KEY, DOWN, UP, REPEAT = 1, 1, 0, 2
CODES = {104: "KEY_PAGEUP", 109: "KEY_PAGEDOWN", 48: "KEY_B", 113: ["KEY_MIN_INTERESTING", "KEY_MUTE"]}
"""linux/input-event-codes.h; evdev gives several names of a code as a list."""


class FakeSwitch:
    """A device that evdev would open: a pipe for its descriptor, and events as evdev gives them."""

    def __init__(self) -> None:
        self.fd, self._write = os.pipe()
        self.events: list[SimpleNamespace] = []
        self.grabbed = False
        self.gone = False

    def press(self, code: int, *values: int, kind: int = KEY) -> None:
        self.events += [SimpleNamespace(type=kind, code=code, value=value) for value in values]
        os.write(self._write, b".")

    def unplug(self) -> None:
        self.gone = True
        os.write(self._write, b".")

    def read(self) -> list[SimpleNamespace]:
        os.read(self.fd, 100)
        if self.gone:
            raise OSError(errno.ENODEV, "No such device")
        events, self.events = self.events, []
        return events

    def grab(self) -> None:
        self.grabbed = True

    def ungrab(self) -> None:
        self.grabbed = False

    def close(self) -> None:
        if self.fd >= 0:
            os.close(self.fd)
            os.close(self._write)
            self.fd = -1


def library(*switches: FakeSwitch | OSError) -> Any:
    """What stands for evdev: the switches are opened one after the other."""
    waiting = list(switches)

    def opened(_path: str) -> FakeSwitch:
        found = waiting.pop(0)
        if isinstance(found, OSError):
            raise found
        return found

    return SimpleNamespace(InputDevice=opened, ecodes=SimpleNamespace(EV_KEY=KEY, bytype={KEY: CODES}))


def test_a_device_is_held_for_us_alone_and_let_go() -> None:
    switch = FakeSwitch()
    device = InputDevice("/dev/input/event9", lambda _: None, library(switch))
    with device.opened() as presses:
        assert switch.grabbed
        switch.press(109, DOWN, UP)
        switch.press(0, 5, kind=4)
        switch.press(48, DOWN, REPEAT)
        switch.press(999, DOWN)
        found = [next(presses) for _ in range(3)]
        assert [(press.key, press.is_repeat) for press in found] == [
            ("page_down", False),
            ("b", False),
            ("b", True),
        ]
    assert not switch.grabbed
    assert switch.fd == -1


def test_a_device_that_is_unplugged_is_waited_for() -> None:
    first, second = FakeSwitch(), FakeSwitch()
    said: list[str] = []
    gone = OSError(errno.ENOENT, "No such file or directory")
    device = InputDevice("/dev/input/event9", said.append, library(first, gone, second))
    with device.opened() as presses:
        first.unplug()
        second.press(104, DOWN)
        assert next(presses).key == "page_up"
        assert said == [
            "/dev/input/event9 has gone (is it plugged in?); waiting for it",
            "/dev/input/event9 is back",
        ]
        second.press(109, DOWN)
        device.drain()
        second.press(48, DOWN)
        assert next(presses).key == "b"


@pytest.mark.parametrize(
    ("number", "told"),
    [
        (errno.ENOENT, "there is no such device"),
        (errno.EACCES, "may not be read by this user"),
        (errno.EBUSY, "another program holds it"),
        (errno.ENOTTY, "is no input device"),
    ],
)
def test_why_a_device_cannot_be_opened(number: int, told: str) -> None:
    device = InputDevice("/dev/input/event9", lambda _: None, library(OSError(number, "x")))
    with pytest.raises(DeviceError, match=told), device.opened():
        pass


def test_names_of_linux_are_ours() -> None:
    for names, key in (
        ("KEY_KPPLUS", "plus"),
        (["KEY_MIN_INTERESTING", "KEY_MUTE"], "mute"),
        (("BTN_LEFT", "BTN_MOUSE"), "mouse_left"),
        ("KEY_ZOOMIN", "key_zoomin"),
    ):
        press = press_of(names, DOWN, 1.0)
        assert press is not None
        assert press.key == key
    assert press_of("KEY_B", UP, 1.0) is None
    assert press_of(None, DOWN, 1.0) is None


needs_uinput = pytest.mark.skipif(
    not os.access("/dev/uinput", os.W_OK), reason="needs /dev/uinput, to make a keyboard of its own"
)


@needs_uinput
def test_a_real_input_device_walks_the_programme(table: Path, tmp_path: Path) -> None:
    evdev = pytest.importorskip("evdev", reason="needs the package evdev")
    keys = [evdev.ecodes.KEY_PAGEDOWN, evdev.ecodes.KEY_PAGEUP]
    with evdev.UInput({evdev.ecodes.EV_KEY: keys}, name="fillside test switch") as switch:
        time.sleep(0.5)
        with running(table, tmp_path / "kept") as daemon:
            args = command("keys", str(table), "--device", switch.device.path, "--url", daemon.url)
            with subprocess.Popen(args, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL) as walking:
                assert walking.stdout is not None
                while b"programme" not in walking.stdout.readline():
                    pass
                time.sleep(0.5)
                for value in (DOWN, UP):
                    switch.write(evdev.ecodes.EV_KEY, evdev.ecodes.KEY_PAGEDOWN, value)
                    switch.syn()
                until(lambda: mark(daemon) == "desk")
                walking.terminate()
                assert walking.wait(10) == 0
