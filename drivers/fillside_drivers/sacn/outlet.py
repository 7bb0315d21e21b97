"""Sockets and destinations of an E1.31 source, with the reachability of each destination."""

from __future__ import annotations

import asyncio
import errno
import random
import socket
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from fillside_drivers.driver import OpenError
from fillside_drivers.plain_errors import why
from fillside_drivers.retry import Backoff
from fillside_drivers.sacn.options import MULTICAST, PORT, SacnOptions, host_and_port
from fillside_drivers.sacn.packet import DISCOVERY_UNIVERSE, multicast_group
from fillside_drivers.sacn.schedule import OutgoingPacket
from fillside_drivers.system import System

Address = tuple[Any, ...]
Put = Callable[[bytes, Address], object]
"""Sends octets to an address, usually `socket.sendto`."""

RETRY_AT_MOST_S = 1.0
"""The longest time between two attempts: they cost next to nothing, and the light waits for them."""
FULL_S = 0.03
"""The time without any octets leaving after which full buffers are a loss: less than two frames of the
fastest fade together are a step that can be seen."""
_FULL = (errno.EAGAIN, errno.EWOULDBLOCK, errno.ENOBUFS)


@dataclass
class Destination:
    """One entry of `to`: an address, or each universe's multicast group if `address` is None."""

    label: str
    put: Put
    backoff: Backoff
    address: Address | None = None
    error: str = ""
    retry_at: float = 0.0
    full_since: float | None = None

    def address_for(self, universe: int) -> Address:
        return (multicast_group(universe), PORT) if self.address is None else self.address


@dataclass
class Outlet:
    """All destinations of one source, by universe.

    A destination that refuses octets is skipped until its back-off ends. If the system's buffers are full,
    octets are dropped and count as late, since a newer frame follows; if they stay full for longer than
    `FULL_S`, the destination counts as lost, so that the light waits and does not go on unseen.
    """

    by_universe: Mapping[int, tuple[Destination, ...]]
    sockets: tuple[socket.socket, ...] = ()
    late: int = 0
    errors: int = 0
    destinations: tuple[Destination, ...] = field(init=False)

    def __post_init__(self) -> None:
        unique = {id(d): d for several in self.by_universe.values() for d in several}
        self.destinations = tuple(unique.values())

    @property
    def lost(self) -> list[Destination]:
        """The destinations that cannot be reached at present."""
        return [destination for destination in self.destinations if destination.error]

    @property
    def retry_at(self) -> float | None:
        """The time of the next attempt at a lost destination; None if none is lost."""
        return min((destination.retry_at for destination in self.lost), default=None)

    def deliver(self, packet: OutgoingPacket, now: float) -> bool:
        """Send one packet to its destinations; return True if it left for any of them.

        This never blocks, and never raises because of the network.
        """
        left = False
        for destination in self._destinations_of(packet.universe):
            if destination.error and now < destination.retry_at:
                continue
            try:
                destination.put(packet.octets, destination.address_for(packet.universe))
            except OSError as error:
                self._failed(destination, error, now)
            else:
                left, destination.full_since = True, None
                if destination.error:
                    destination.error = ""
                    destination.backoff.reset()
        return left

    def _destinations_of(self, universe: int) -> Iterable[Destination]:
        found = self.by_universe.get(universe)
        if found is not None:
            return found
        if universe == DISCOVERY_UNIVERSE:
            return [d for d in self.destinations if d.address is None]
        return self.destinations

    def _failed(self, destination: Destination, error: OSError, now: float) -> None:
        if error.errno in _FULL:
            self.late += 1
            if destination.full_since is None:
                destination.full_since = now
            if not destination.error and now - destination.full_since < FULL_S:
                return
        self.errors += 1
        destination.error = why(error)
        destination.retry_at = now + destination.backoff.next_s()

    def close(self) -> None:
        for each in self.sockets:
            each.close()


async def open_outlet(
    driver: str, options: SacnOptions, universes: Iterable[int], rng: random.Random, system: System
) -> Outlet:
    """Open the sockets and resolve the hosts.

    Raises:
        OpenError: a host cannot be resolved, or the interface address is not ours.
    """
    wanted = {universe: options.of(universe).to or () for universe in universes}
    announced = wanted | ({DISCOVERY_UNIVERSE: (MULTICAST,)} if options.discovery else {})
    sockets: dict[int, socket.socket] = {}
    made: dict[str, Destination] = {}
    try:
        for text in dict.fromkeys(text for several in announced.values() for text in several):
            family, address = (socket.AF_INET, None) if text == MULTICAST else await _look_up(driver, text)
            if family not in sockets:
                sockets[family] = _open_socket(driver, family, options, system)
            made[text] = Destination(text, sockets[family].sendto, Backoff(rng, RETRY_AT_MOST_S), address)
    except BaseException:
        for each in sockets.values():
            each.close()
        raise
    return Outlet(
        {universe: tuple(made[text] for text in dict.fromkeys(to)) for universe, to in announced.items()},
        tuple(sockets.values()),
    )


async def _look_up(driver: str, text: str) -> tuple[int, Address]:
    host, port = host_and_port(text)
    try:
        # An address needs no name service, and therefore no thread to wait for one.
        numeric = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM, flags=socket.AI_NUMERICHOST)
        return numeric[0][0], numeric[0][4]
    except socket.gaierror:
        pass
    try:
        found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_DGRAM)
    except OSError as error:
        raise OpenError(
            f"driver {driver}: the host {host!r} cannot be found: {why(error)}", driver=driver, where=text
        ) from error
    return found[0][0], found[0][4]


def _open_socket(driver: str, family: int, options: SacnOptions, system: System) -> socket.socket:
    made = system.socket(family, socket.SOCK_DGRAM)
    try:
        made.setblocking(False)
        if family == socket.AF_INET:
            made.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, options.ttl)
            if options.interface is not None:
                made.setsockopt(
                    socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(options.interface)
                )
                made.bind((options.interface, 0))
    except OSError as error:
        made.close()
        raise OpenError(
            f"driver {driver}: cannot send from interface {options.interface}: {why(error)}",
            driver=driver,
            where=options.interface or "",
        ) from error
    except BaseException:
        made.close()
        raise
    return made
