"""A listener for other sources on the multicast groups of our universes.

Each group has its own socket, bound to the group's address: a socket bound to the port alone would take
unicast packets away from a receiver on the same machine. For that reason sources that send unicast go
unnoticed.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterable

from fillside_drivers.driver import Clock
from fillside_drivers.sacn.options import PORT
from fillside_drivers.sacn.packet import DataPacket, OctetsError, cid_octets, decode, multicast_group
from fillside_drivers.sacn.sources import RivalSources
from fillside_drivers.system import SYSTEM, System


class _Ear(asyncio.DatagramProtocol):
    def __init__(self, hear: Callable[[bytes], None]) -> None:
        self._hear = hear

    def datagram_received(self, data: bytes, addr: object) -> None:
        self._hear(data)


class Listener:
    """Keeps `sources` up to date while open, and calls `changed` when they change."""

    def __init__(
        self,
        sources: RivalSources,
        own: bytes,
        clock: Clock,
        changed: Callable[[], None],
        system: System = SYSTEM,
    ) -> None:
        self.sources, self._system = sources, system
        self.garbage = 0
        self._own, self._clock, self._changed = own, clock, changed
        self._ears: list[asyncio.DatagramTransport] = []
        self._timer: asyncio.TimerHandle | None = None

    async def open(self, universes: Iterable[int], interface: str | None) -> None:
        """Join the groups; raise OSError if the system cannot, with nothing left open."""
        loop = asyncio.get_running_loop()
        try:
            for universe in universes:
                joined = _join(self._system, multicast_group(universe), interface)
                ear, _ = await loop.create_datagram_endpoint(lambda: _Ear(self.hear), sock=joined)
                self._ears.append(ear)
        except OSError:
            self.close()
            raise

    def hear(self, octets: bytes) -> None:
        """Process a datagram, whatever it contains."""
        if cid_octets(octets) == self._own:
            return
        try:
            packet = decode(octets)
        except OctetsError:
            self.garbage += 1
            return
        if isinstance(packet, DataPacket) and self.sources.hear(packet, self._clock()):
            self._changed()
        if self._timer is None and self.sources.present:
            self._expire()

    def _expire(self) -> None:
        now = self._clock()
        if self.sources.expire(now):
            self._changed()
        self._timer = None
        if self.sources.present:
            wait = max(0.0, self.sources.due - now)
            self._timer = asyncio.get_running_loop().call_later(wait, self._expire)

    def close(self) -> None:
        """Leave the groups; a second call does nothing."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        for ear in self._ears:
            ear.close()
        self._ears.clear()


def _join(system: System, group: str, interface: str | None) -> socket.socket:
    made = system.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        made.setblocking(False)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((group, PORT))
        own = socket.inet_aton(interface or "0.0.0.0")
        made.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, socket.inet_aton(group) + own)
    except OSError:
        made.close()
        raise
    return made
