"""Protocol: DMX512-A on a pseudo-terminal (octets, loss, replugging) and on a recording port (times).

A pseudo-terminal carries octets but no break, and takes them as fast as they come.
"""

from __future__ import annotations

import asyncio
import errno
import os
import random
import threading
import time
import tty
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from fillside_drivers.dmx_serial.driver import DmxSerialDriver
from fillside_drivers.dmx_serial.timing import packet_s
from fillside_drivers.dmx_serial.writer import Event, LineRefresher
from fillside_drivers.driver import Driver, Health, OpenError, OptionsError
from fillside_drivers.registry import build
from fillside_drivers.retry import Backoff
from protocol.wires import WHO


def dmx(options: dict[str, Any], drives: dict[str, dict[str, Any]]) -> Driver:
    return build("line", "dmx-serial", options, drives, clock=time.monotonic, identity=WHO)


class Line:
    """A pseudo-terminal behind a path that stays, as under /dev/serial/by-id; can be pulled and plugged."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.octets = bytearray()
        self._news = asyncio.Event()
        self._ours = self._theirs = -1

    def plug(self) -> None:
        # Their end stays open here too: without anyone at it, ours would be readable without end.
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.path.symlink_to(os.ttyname(self._theirs))
        asyncio.get_running_loop().add_reader(self._ours, self._read)

    def pull(self) -> None:
        asyncio.get_running_loop().remove_reader(self._ours)
        os.close(self._ours)
        os.close(self._theirs)
        self.path.unlink()

    def _read(self) -> None:
        self.octets += os.read(self._ours, 4096)
        self._news.set()

    async def until(self, count: int) -> bytes:
        async with asyncio.timeout(10):
            while len(self.octets) < count:
                self._news.clear()
                await self._news.wait()
        return bytes(self.octets)


async def state_of(heard: asyncio.Queue[Health], state: str) -> Health:
    async with asyncio.timeout(15):
        while (health := await heard.get()).state != state:
            pass
    return health


async def test_packets_carry_the_start_code_and_the_slots(tmp_path: Path) -> None:
    """ANSI E1.11: null start code, then slot 1 first; refreshed without end."""
    line = Line(tmp_path / "adapter")
    line.plug()
    drives = {"key": {"slot": 1, "bits": 16}, "fill": {"slot": 24}}
    driver = dmx({"device": str(line.path), "slots": 24}, drives)
    driver.send({"key": 0xABCD, "fill": 255})
    async with driver:
        octets = await line.until(75)
        assert octets[:75] == (b"\x00\xab\xcd" + bytes(21) + b"\xff") * 3
        driver.send({"fill": 7})
    await line.until(25 * driver.health.frames_sent)
    packets = [bytes(line.octets[at : at + 25]) for at in range(0, len(line.octets), 25)]
    assert packets[-1] == b"\x00\xab\xcd" + bytes(21) + b"\x07", (
        "what was still waiting leaves before the close"
    )
    assert {len(packet) for packet in packets} == {25}
    line.pull()


async def test_a_full_universe_and_its_last_slot(tmp_path: Path) -> None:
    line = Line(tmp_path / "adapter")
    line.plug()
    async with dmx({"device": str(line.path)}, {"key": {"slot": 511, "bits": 16}}) as driver:
        driver.send({"key": 0x1234})
        assert (await line.until(513))[:513] == bytes(511) + b"\x12\x34"
    line.pull()


async def test_an_adapter_that_is_pulled_and_plugged_again(tmp_path: Path) -> None:
    line = Line(tmp_path / "adapter")
    line.plug()
    heard = asyncio.Queue[Health]()
    async with dmx({"device": str(line.path), "slots": 24}, {"key": {"slot": 1}}) as driver:
        driver.watch(heard.put_nowait)
        driver.send({"key": 1})
        await line.until(50)
        line.pull()
        lost = await state_of(heard, "lost")
        assert str(line.path) in lost.note
        driver.send({"key": 2})
        line.octets.clear()
        line.plug()
        await state_of(heard, "ok")
        assert (await line.until(25))[:2] == b"\x00\x02", (
            "the first packet after it is back has the latest codes"
        )
        assert driver.health.errors >= 1
    line.pull()


async def test_a_device_that_is_not_there_is_named(tmp_path: Path) -> None:
    path = str(tmp_path / "nothing")
    with pytest.raises(OpenError, match="nothing cannot be opened: there is no such device") as caught:
        async with dmx({"device": path}, {}):
            pass
    assert caught.value.where == path
    for thread in [t for t in threading.enumerate() if t.name == "dmx-serial writer"]:
        thread.join(5.0)
    assert not [t for t in threading.enumerate() if t.name == "dmx-serial writer"]


async def test_a_device_that_is_no_serial_port_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("kept")
    with pytest.raises(OpenError, match="file cannot be opened"):
        async with dmx({"device": str(file)}, {}):
            pass
    assert file.read_text() == "kept"


async def test_two_drivers_on_one_device_are_refused(tmp_path: Path) -> None:
    line = Line(tmp_path / "adapter")
    line.plug()
    async with dmx({"device": str(line.path)}, {}):
        with pytest.raises(OpenError):
            async with dmx({"device": str(line.path)}, {}):
                pass
    line.pull()


@pytest.mark.parametrize(
    ("options", "drive", "says"),
    [
        ({"slots": 23}, {"slot": 1}, "drivers.line.slots"),
        ({"slots": 513}, {"slot": 1}, "drivers.line.slots"),
        ({"rate_hz": 44.2}, {"slot": 1}, "512 slots can be sent at most 44.1 times a second"),
        ({"rate_hz": 0.5}, {"slot": 1}, "drivers.line.rate_hz"),
        ({"slots": 100}, {"slot": 100, "bits": 16}, "slot 101 is beyond the 100"),
        ({"device": ""}, {"slot": 1}, "drivers.line.device"),
    ],
)
def test_what_the_line_cannot_carry(options: dict[str, Any], drive: dict[str, Any], says: str) -> None:
    with pytest.raises(OptionsError) as caught:
        dmx({"device": "/dev/null", **options}, {"key": drive})
    assert says in str(caught.value)


class Recorder:
    """A serial port that writes down what is done to it and when, and can fail or block."""

    def __init__(self) -> None:
        self.done: list[tuple[float, str, bytes]] = []
        self.error: OSError | None = None
        self.sent = threading.Semaphore(0)
        self._break = False

    @property
    def break_condition(self) -> bool:
        return self._break

    @break_condition.setter
    def break_condition(self, on: bool) -> None:
        self._break = on
        self.done.append((time.monotonic(), "break" if on else "mark", b""))

    def write(self, octets: bytes, /) -> int:
        self.done.append((time.monotonic(), "write", octets))
        if self.error is not None:
            raise self.error
        return len(octets)

    def flush(self) -> None:
        self.done.append((time.monotonic(), "flush", b""))
        self.sent.release()

    def close(self) -> None:
        self.done.append((time.monotonic(), "close", b""))


class Told:
    def __init__(self) -> None:
        self.events: list[Event] = []
        self.ended = threading.Event()

    def __call__(self, event: Event) -> None:
        self.events.append(event)
        if event.what == "ended":
            self.ended.set()


def wait_for(count: int, port: Recorder) -> None:
    for _ in range(count):
        assert port.sent.acquire(timeout=60)


def test_break_mark_and_pace_are_never_shorter_than_the_standard_asks() -> None:
    """ANSI E1.11 table 6: break 92 us, mark 12 us at least, and 44 us a slot before the next break."""
    port, told = Recorder(), Told()
    writer = LineRefresher(lambda: port, 100, packet_s(100), time.monotonic, told, random.Random(1))
    writer.start()
    writer.put(bytes(101))
    wait_for(6, port)
    writer.stop()
    assert told.ended.wait(10)
    steps = [what for _, what, _ in port.done]
    packets = len(steps) // 4
    assert steps == ["break", "mark", "write", "flush"] * packets + ["close"]
    times = [at for at, _, _ in port.done]
    for first in range(0, 4 * packets, 4):
        assert times[first + 1] - times[first] >= 92e-6
        assert times[first + 2] - times[first + 1] >= 12e-6
    breaks = [at for at, what, _ in port.done if what == "break"]
    assert all(b - a >= (92 + 12 + 44 * 101) / 1e6 for a, b in pairwise(breaks))
    assert [event.what for event in told.events if event.what != "late"] == [
        "opened",
        *["sent"] * packets,
        "ended",
    ]


def test_a_change_does_not_wait_for_the_refresh() -> None:
    """With a refresh once a second, a second value is out long before the first would be repeated."""
    port, told = Recorder(), Told()
    writer = LineRefresher(lambda: port, 24, 3600.0, time.monotonic, told, random.Random(1))
    writer.start()
    writer.put(b"\x00\x01")
    wait_for(1, port)
    for value in (2, 3):
        writer.put(bytes((0, value)))
        wait_for(1, port)
    writer.stop()
    assert told.ended.wait(10)
    assert [octets for _, what, octets in port.done if what == "write"] == [
        b"\x00\x01",
        b"\x00\x02",
        b"\x00\x03",
    ]


def test_nothing_is_sent_before_the_first_value() -> None:
    port, told = Recorder(), Told()
    writer = LineRefresher(lambda: port, 24, 0.01, time.monotonic, told, random.Random(1))
    writer.start()
    writer.stop()
    assert told.ended.wait(10)
    assert [what for _, what, _ in port.done] in ([], ["close"])


def test_a_writer_that_breaks_says_so(caplog: pytest.LogCaptureFixture) -> None:
    def absurd() -> Recorder:
        raise ZeroDivisionError("absurd")

    told = Told()
    writer = LineRefresher(absurd, 24, 0.01, time.monotonic, told, random.Random(1))
    writer.start()
    assert told.ended.wait(10)
    assert isinstance(told.events[-1].error, ZeroDivisionError)
    assert "writer of a DMX line has failed" in caplog.text


def test_a_failing_port_is_closed_and_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Backoff, "next_s", lambda self: 0.0)
    ports = [Recorder(), Recorder()]
    ports[0].error = OSError(errno.EIO, "unplugged")
    left, told = iter(ports), Told()
    writer = LineRefresher(lambda: next(left), 24, 0.01, time.monotonic, told, random.Random(1))
    writer.start()
    writer.put(b"\x00\x09")
    wait_for(2, ports[1])
    writer.stop()
    assert told.ended.wait(10)
    assert ports[0].done[-1][1] == "close"
    assert [event.what for event in told.events[:4]] == ["opened", "lost", "opened", "sent"]
    assert {octets for _, what, octets in ports[1].done if what == "write"} == {b"\x00\x09"}


async def test_late_packets_show_and_pass() -> None:
    driver = dmx({"device": "/dev/null"}, {})
    assert isinstance(driver, DmxSerialDriver)
    driver._heard(Event("late"))
    driver._heard(Event("sent"))
    assert (driver.health.state, driver.health.frames_late, driver.health.frames_sent) == ("late", 1, 1)
    driver._late_at -= 2.0
    driver._heard(Event("sent"))
    assert (driver.health.state, driver.health.frames_sent) == ("ok", 2)
    driver._heard(Event("ended", RuntimeError("odd")))
    assert driver.health.state == "lost"
    assert "odd" in driver.health.note


def test_a_change_after_every_packet_still_leaves_each_its_time_on_the_line() -> None:
    """A port that takes octets at once says nothing of the line: a slot needs 44 us all the same."""
    port, told = Recorder(), Told()
    values = iter(range(1, 8))

    def hear(event: Event) -> None:
        told(event)
        if event.what == "sent" and (value := next(values, None)) is not None:
            writer.put(bytes((0, value)) + bytes(511))

    writer = LineRefresher(lambda: port, 512, 3600.0, time.monotonic, hear, random.Random(1))
    writer.start()
    writer.put(bytes(513))
    wait_for(8, port)
    writer.stop()
    assert told.ended.wait(10)
    breaks = [at for at, what, _ in port.done if what == "break"]
    assert all(b - a >= (92 + 12 + 44 * 513) / 1e6 for a, b in pairwise(breaks))


def test_a_slot_that_is_held_must_be_one_that_is_sent() -> None:
    with pytest.raises(OptionsError, match="slot 100 is beyond the 24"):
        dmx({"device": "/dev/null", "slots": 24}, {"key": {"slot": 1, "fixed": {"100": 255}}})


def test_the_line_is_opened_as_the_standard_has_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """ANSI E1.11: 250 kbit/s, a start bit, eight data bits, no parity, two stop bits."""
    opened: list[dict[str, Any]] = []
    monkeypatch.setattr("serial.Serial", lambda *args, **said: opened.append({"args": args, **said}))
    driver = dmx({"device": "/dev/null"}, {"key": {"slot": 1}})
    assert isinstance(driver, DmxSerialDriver)
    driver._open_port()
    (said,) = opened
    assert (said["args"], said["baudrate"]) == (("/dev/null",), 250_000)
    assert (said["bytesize"], said["parity"], said["stopbits"]) == (8, "N", 2)
    assert said["exclusive"] is True


def test_a_packet_that_went_out_ends_the_patience_with_a_line() -> None:
    """The next loss is tried again as soon as a first one."""

    class Patience:
        resets = 0

        def next_s(self) -> float:
            return 0.0

        def reset(self) -> None:
            self.resets += 1

    port, told, patience = Recorder(), Told(), Patience()
    writer = LineRefresher(lambda: port, 24, 3600.0, time.monotonic, told, random.Random(1))
    writer._backoff = patience  # type: ignore[assignment]
    writer.start()
    writer.put(bytes(25))
    wait_for(1, port)
    writer.stop()
    assert told.ended.wait(10)
    assert patience.resets == [event.what for event in told.events].count("sent") >= 1
