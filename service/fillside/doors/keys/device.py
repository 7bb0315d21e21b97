"""Keys of a Linux input device without a terminal: a foot switch or a remote on the daemon's machine.

The device is grabbed, so that its keys do not also type elsewhere. An unplugged device is waited for.
"""

from __future__ import annotations

import contextlib
import errno
import platform
import random
import select
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from fillside.doors.keys.presses import LOOK_UP_S, Press
from fillside.rig.tables.keys import KEY_NAMES
from fillside.system_errors import package_missing, why
from fillside_drivers.retry import Backoff

NAME_OF_CODE = {
    code if code.startswith("BTN_") else f"KEY_{code}": name
    for name, own in KEY_NAMES.items()
    for code in own
}
"""The name of each key by the full name of its Linux code."""

DOWN, REPEAT = 1, 2
"""Values of an EV_KEY event, linux/input.h: 0 up, 1 down, 2 repeated while held down."""


class DeviceError(Exception):
    """An input device cannot be used; one clear line."""


def library() -> Any:
    """Return python-evdev. Raises DeviceError if it is not installed."""
    try:
        import evdev
    except ImportError as error:
        raise DeviceError(f"input devices cannot be read: {_missing()}") from error
    return evdev


def _missing() -> str:
    if platform.machine() == "x86_64":
        return package_missing("evdev-binary")
    return f"{package_missing('evdev')} (with a C compiler: on Debian, apt install gcc python3-dev)"


def press_of(names: Any, value: int, at_s: float) -> Press | None:
    """Return the press in an EV_KEY event; None for a key that comes up or has no name.

    `names` are Linux's names for its code: one text, or several if a code has more than one name.
    """
    if value not in (DOWN, REPEAT):
        return None
    several = (names,) if isinstance(names, str) else tuple(names or ())
    name = next((NAME_OF_CODE[each] for each in several if each in NAME_OF_CODE), None)
    if name is None:
        return None if not several else Press(str(several[0]).lower(), at_s, is_repeat=value == REPEAT)
    return Press(name, at_s, is_repeat=value == REPEAT)


def why_not(path: str, error: OSError) -> str:
    """Return one line for an error of an input device, with a remedy."""
    reasons = {
        errno.ENOENT: "there is no such device; `fillside keys --devices` lists them",
        errno.EACCES: "may not be read by this user; `sudo usermod -aG input $USER`, then log in again",
        errno.EBUSY: "another program holds it",
        errno.ENOTTY: "is no input device",
        errno.EINVAL: "is no input device",
    }
    return f"{path}: {reasons.get(error.errno or 0, why(error))}"


@dataclass(frozen=True)
class DeviceEntry:
    """An input device: its persistent path if it has one, and its own name."""

    path: str
    name: str


def key_devices() -> list[DeviceEntry]:
    """Return every input device with keys that this user may read."""
    evdev = library()
    found = []
    for path in evdev.list_devices():
        with contextlib.suppress(OSError), contextlib.closing(evdev.InputDevice(path)) as device:
            if evdev.ecodes.EV_KEY in device.capabilities():
                found.append(DeviceEntry(path, device.name))
    return found


class InputDevice:
    """The presses of an input device; `report` is called when it disconnects and reconnects."""

    def __init__(self, path: str, report: Callable[[str], None], evdev: Any = None) -> None:
        self.name = path
        self._report = report
        self._evdev = library() if evdev is None else evdev
        self._device: Any = None

    @contextmanager
    def opened(self) -> Iterator[Iterator[Press]]:
        """Open the device while inside. Raises DeviceError if it cannot be opened at first."""
        try:
            self._open()
        except OSError as error:
            raise DeviceError(why_not(self.name, error)) from error
        try:
            yield self._presses()
        finally:
            self._close()

    def drain(self) -> None:
        """Drop unread presses."""
        with contextlib.suppress(OSError):
            while self._device is not None and select.select([self._device.fd], [], [], 0)[0]:
                list(self._device.read())

    def _open(self) -> None:
        device = self._evdev.InputDevice(self.name)
        try:
            device.grab()
        except OSError:
            device.close()
            raise
        self._device = device

    def _close(self) -> None:
        device, self._device = self._device, None
        if device is not None:
            # An unplugged device has already been released.
            with contextlib.suppress(OSError):
                device.ungrab()
            with contextlib.suppress(OSError):
                device.close()

    def _presses(self) -> Iterator[Press]:
        while True:
            try:
                ready, _, _ = select.select([self._device.fd], [], [], LOOK_UP_S)
                events = list(self._device.read()) if ready else []
            except OSError as error:
                self._close()
                reason = "is it plugged in?" if error.errno == errno.ENODEV else why(error)
                self._report(f"{self.name} has gone ({reason}); waiting for it")
                self._reopen()
                self._report(f"{self.name} is back")
                continue
            for event in events:
                if event.type == self._evdev.ecodes.EV_KEY:
                    press = press_of(
                        self._evdev.ecodes.bytype[event.type].get(event.code), event.value, _now()
                    )
                    if press is not None:
                        yield press

    def _reopen(self) -> None:
        waits = Backoff(random.Random())
        while self._device is None:
            time.sleep(waits.next_s())
            with contextlib.suppress(OSError):
                self._open()


def _now() -> float:
    return time.monotonic()
