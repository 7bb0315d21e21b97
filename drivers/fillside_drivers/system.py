"""The operating system under a daemon: clocks, threads, sockets, files of databases and clients of brokers.

Everything that a daemon takes from outside by itself goes through one `System`; `asyncio`'s event loop is the
only other way. A subclass may stand in for the machine.
"""

from __future__ import annotations

import socket
import threading
import time
import uuid
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import sqlite3

    import aiomqtt
    import serial


class System:
    """This machine. Every method may be called from any thread."""

    def clock(self) -> float:
        """Return elapsed time, which never goes back [s]."""
        return time.monotonic()

    def unix_clock(self) -> float:
        """Return the time of day as people set it [s since 1970, UTC]."""
        return time.time()

    def sleep(self, seconds: float) -> None:
        """Block the calling thread; it is never that of the event loop."""
        time.sleep(seconds)

    def condition(self) -> threading.Condition:
        """Return a condition for `thread`s and the event loop's thread."""
        return threading.Condition()

    def thread(self, target: Callable[[], None], name: str) -> threading.Thread:
        """Return a thread that does not keep the process alive, not started yet."""
        return threading.Thread(target=target, name=name, daemon=True)

    def uuid(self) -> uuid.UUID:
        """Return a UUID that nobody else has (RFC 9562, version 4)."""
        return uuid.uuid4()

    def socket(self, family: int, kind: int, protocol: int = 0) -> socket.socket:
        """Return a socket as `socket.socket` makes it. Raises OSError."""
        return socket.socket(family, kind, protocol)

    def database(self, uri: str) -> sqlite3.Connection:
        """Open the SQLite database at a URI, in autocommit mode, for any thread. Raises sqlite3.Error."""
        # Imported only by those who store something.
        import sqlite3

        return sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False, timeout=5.0)

    def mqtt_client(self, host: str, port: int, **options: Any) -> aiomqtt.Client:
        """Return a client of a broker, not connected yet."""
        # Imported only for rigs with a broker.
        import aiomqtt

        return aiomqtt.Client(host, port, **options)

    def serial_port(self, device: str, **options: Any) -> serial.Serial:
        """Open a serial device. Raises OSError."""
        # Imported only for rigs with a serial line.
        import serial

        return serial.Serial(device, **options)


SYSTEM = System()
