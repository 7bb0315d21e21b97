"""DMX512-A through a USB adapter with a plain RS-485 output, driven by pyserial.

Capabilities of such adapters, by common practice, no source: the computer switches the break on and off, and
each switch takes about a millisecond over USB. Break and mark are therefore some milliseconds long instead of
92 and 12 us, which the standard allows (up to a second from break to break). A full universe is sent 35 to 40
times a second, with a jitter of milliseconds that depends on the load of the machine. Adapters with a
processor of their own, which expect commands instead of levels, do not work here.

The line is one-way: `ok` means that the adapter accepted the octets, not that a lamp received them. The line
has no end of stream: after closing, with or without `stay`, lamps behave as they do without a signal.
"""

from __future__ import annotations

import asyncio
import errno
import math
import random
from collections.abc import Mapping
from typing import ClassVar

import serial

from fillside_drivers.dmx_serial.options import DmxSerialDrive, DmxSerialOptions
from fillside_drivers.dmx_serial.timing import BAUD, packet_octets
from fillside_drivers.dmx_serial.writer import Event, LineRefresher, Port
from fillside_drivers.driver import Driver, OpenError, OptionsError, Setup
from fillside_drivers.plain_errors import why
from fillside_drivers.slots import SlotFrame

WRITE_TIMEOUT_S = 1.0
"""Time an adapter may refuse octets before it counts as lost: the longest packet of E1.11."""

CLOSE_TIMEOUT_S = 3.0

ON_TIME_AGAIN_S = 2.0
"""Time without a late packet after which `late` ends."""


class DmxSerialDriver(Driver):
    """One DMX line; its thread sends all slots continually, and at once after a change of a code."""

    kind: ClassVar[str] = "dmx-serial"

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        assert isinstance(setup.options, DmxSerialOptions), "options are read by the kind's model"
        self._options = setup.options
        for channel in setup.channels:
            assert isinstance(channel.drive, DmxSerialDrive), "drives are read by the kind's model"
            self._fits(channel.name, channel.drive)
        self._frame = SlotFrame(setup.channels, self._options.slots)
        self._writer: LineRefresher | None = None
        self._ended = asyncio.Event()
        self._late_at = -math.inf

    def _fits(self, name: str, drive: DmxSerialDrive) -> None:
        last = max((*drive.octet_slots, *drive.held))
        if last > self._options.slots:
            raise OptionsError(
                f"heads.{name}.drive.slot: slot {last} is beyond the {self._options.slots} that driver "
                f"{self.name} sends",
                driver=self.name,
                where=f"heads.{name}.drive.slot",
            )

    def _open_port(self) -> Port:
        return self.setup.system.serial_port(
            self._options.device,
            baudrate=BAUD,
            bytesize=serial.EIGHTBITS,
            parity=serial.PARITY_NONE,
            stopbits=serial.STOPBITS_TWO,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=True,
        )

    async def _open(self) -> None:
        loop = asyncio.get_running_loop()
        first: asyncio.Future[Event] = loop.create_future()

        def hear(event: Event) -> None:
            if not first.done():
                first.set_result(event)
            self._heard(event)

        def tell(event: Event) -> None:
            # A writer held up by a stuck adapter may outlive the loop.
            if not loop.is_closed():
                loop.call_soon_threadsafe(hear, event)

        self._writer = LineRefresher(
            self._open_port,
            self._options.slots,
            1 / self._options.rate_hz,
            self._clock,
            tell,
            random.Random(self.name),
            self.setup.system,
        )
        self._writer.start()
        event = await first
        if event.what != "opened":
            raise OpenError(
                f"driver {self.name}: {self._options.device} cannot be opened: {_reason(event.error)}",
                driver=self.name,
                where=self._options.device,
            ) from event.error

    def _send(self, codes: Mapping[str, int]) -> None:
        if self._frame.put(codes) and self._writer is not None:
            self._writer.put(packet_octets(self._frame.octets))

    def _heard(self, event: Event) -> None:
        now = self._clock()
        if event.what == "sent":
            self._counts.frames_sent += 1
            if now - self._late_at >= ON_TIME_AGAIN_S:
                self._report(state="ok", note="")
            else:
                self._report(state="late", note="packets leave late: machine or adapter is too busy")
        elif event.what == "late":
            self._counts.frames_late += 1
            self._late_at = now
        elif event.what == "lost":
            self._counts.errors += 1
            self._report(state="lost", note=f"{self._options.device}: {_reason(event.error)}")
        elif event.what == "ended":
            self._ended.set()
            if event.error is not None:
                self._report(
                    state="lost",
                    note=f"{self._options.device}: a fault of ours ({event.error!r}); restart to go on",
                )

    async def _close(self, stay: bool) -> None:
        if self._writer is None:
            return
        self._writer.stop()
        try:
            async with asyncio.timeout(CLOSE_TIMEOUT_S):
                await self._ended.wait()
        except TimeoutError:
            self._report(state="lost", note=f"{self._options.device} does not let go of the last packet")


def _reason(error: BaseException | None) -> str:
    """Return the reason in words a person can act on; pyserial's own texts are redundant."""
    if isinstance(error, serial.SerialTimeoutException):
        return "the adapter takes no data"
    number = getattr(error, "errno", None)
    if number == errno.ENOENT:
        return "there is no such device; is the adapter plugged in?"
    if number == errno.EACCES:
        return "not permitted; the user needs to be in the group that owns the device"
    return why(OSError(number, "") if number else error) if error is not None else "it is not known why"
