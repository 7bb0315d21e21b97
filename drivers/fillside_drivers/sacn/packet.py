"""The codec of streaming ACN (ANSI E1.31-2018); no I/O, no clock.

`encode` turns a packet into octets, `decode` turns octets into a packet. Errors, by blame::

    PacketError
    |-- FieldError     our order: a field outside the standard's range
    `-- OctetsError    the peer's octets: not a packet of this standard, truncated, or contradictory

Promise: for any octets, `decode` returns a packet or raises `OctetsError`, and nothing else; `encode` accepts
whatever `decode` returns.

Slots are numbered from 1 elsewhere; only this file knows octet offsets and the start code.
"""

from __future__ import annotations

import functools
import itertools
import struct
import uuid
from dataclasses import dataclass

IDENTIFIER = b"ASC-E1.17\0\0\0"
DATA_UNIVERSES = range(1, 64000)
DISCOVERY_UNIVERSE = 64214
PRIORITIES = range(201)
MOST_SLOTS = 512
UNIVERSES_A_PAGE = 512

_ROOT_DATA, _ROOT_EXTENDED = 4, 8
_FRAMING_DATA, _EXTENDED_SYNC, _EXTENDED_DISCOVERY = 2, 1, 2
_UNIVERSE_LIST = 1
_PREVIEW, _TERMINATED, _FORCE_SYNC = 0x80, 0x40, 0x20

_ROOT = struct.Struct(">HH12sHI16s")
_FRAMING = struct.Struct(">HI64sBHBBH")
_DMP = struct.Struct(">HBBHHHB")
_SYNC = struct.Struct(">HIBHH")
_DISCOVERY = struct.Struct(">HI64sIHIBB")

_DATA_HEAD = _ROOT.size + _FRAMING.size + _DMP.size
_SEQUENCE_AT, _OPTIONS_AT, _CID_AT = 111, 112, slice(22, 38)


class PacketError(ValueError):
    """The top of the tree."""


class FieldError(PacketError):
    """A field of our packet is out of range; `field` names it."""

    def __init__(self, field: str, value: object, right: str) -> None:
        super().__init__(f"{field} {value!r}: {right}")
        self.field = field


class OctetsError(PacketError):
    """A peer's octets are not a packet of this standard; `offset` is the place that shows it."""

    def __init__(self, message: str, offset: int) -> None:
        super().__init__(f"{message} (octet {offset})")
        self.offset = offset


@dataclass(frozen=True)
class DataPacket:
    """Levels of one universe (E1.31 6 and 7); `slots[0]` is slot 1."""

    cid: uuid.UUID
    source_name: str
    universe: int
    sequence: int
    slots: bytes
    priority: int = 100
    sync_address: int = 0
    preview: bool = False
    terminated: bool = False
    force_sync: bool = False
    start_code: int = 0


@dataclass(frozen=True)
class SyncPacket:
    """The signal for data packets with `sync_address` to take effect (E1.31 6.3)."""

    cid: uuid.UUID
    sync_address: int
    sequence: int


@dataclass(frozen=True)
class DiscoveryPacket:
    """One page of the ascending list of universes that a source sends (E1.31 6.4 and 8)."""

    cid: uuid.UUID
    source_name: str
    universes: tuple[int, ...]
    page: int = 0
    last_page: int = 0


Packet = DataPacket | SyncPacket | DiscoveryPacket


@functools.cache
def multicast_group(universe: int) -> str:
    """Return the IPv4 group of a universe, a sync address, or discovery (E1.31 9.3.1).

    >>> multicast_group(7962)
    '239.255.31.26'
    """
    return f"239.255.{universe >> 8}.{universe & 255}"


def cid_octets(octets: bytes) -> bytes:
    """Return the octets of the sender's CID without checks, enough to skip one's own packets."""
    return octets[_CID_AT]


def encode(packet: Packet) -> bytes:
    """Return the octets of a packet.

    Raises:
        FieldError: a field is out of range.
    """
    if isinstance(packet, DataPacket):
        return _encode_data(packet)
    if isinstance(packet, SyncPacket):
        return _encode_sync(packet)
    return _encode_discovery(packet)


class DataOctets:
    """Encoder of one universe's stream, which changes only sequence, termination and slots.

    >>> import dataclasses
    >>> first = DataPacket(uuid.UUID(int=1), "studio", 1, 0, bytes(512))
    >>> stream, full = DataOctets(first), b"\\xff" * 512
    >>> stream.put(full)
    >>> stream.next(9) == encode(dataclasses.replace(first, sequence=9, slots=full))
    True
    """

    __slots__ = ("_octets", "_options")

    def __init__(self, packet: DataPacket) -> None:
        self._octets = bytearray(encode(packet))

        self._options = self._octets[_OPTIONS_AT] & ~_TERMINATED

    def put(self, slots: bytes) -> None:
        """Change the slots; their number must stay the same."""
        octets = self._octets
        if len(slots) != len(octets) - _DATA_HEAD:
            raise FieldError("slots", len(slots), f"must stay {len(octets) - _DATA_HEAD}")
        octets[_DATA_HEAD:] = slots

    def next(self, sequence: int, terminated: bool = False) -> bytes:
        """Encode the first packet with its slots as they are now, and these fields."""
        octets = self._octets
        octets[_SEQUENCE_AT] = sequence
        octets[_OPTIONS_AT] = self._options | _TERMINATED if terminated else self._options
        return bytes(octets)


def _length(octets_from_here: int) -> int:
    return 0x7000 | octets_from_here


def _in(field: str, value: int, allowed: range) -> int:
    if value not in allowed:
        raise FieldError(field, value, f"must be {allowed[0]} to {allowed[-1]}")
    return value


def _name_octets(name: str) -> bytes:
    octets = name.encode("utf-8", "surrogatepass")
    if len(octets) > 63 or b"\0" in octets:
        raise FieldError("source_name", name, "must be at most 63 octets of UTF-8 without a null")
    return octets


def _root(vector: int, total: int, cid: uuid.UUID) -> bytes:
    return _ROOT.pack(0x0010, 0, IDENTIFIER, _length(total - 16), vector, cid.bytes)


def _encode_data(packet: DataPacket) -> bytes:
    if len(packet.slots) > MOST_SLOTS:
        raise FieldError("slots", len(packet.slots), f"a universe has at most {MOST_SLOTS}")
    total = _DATA_HEAD + len(packet.slots)
    options = (
        (_PREVIEW if packet.preview else 0)
        | (_TERMINATED if packet.terminated else 0)
        | (_FORCE_SYNC if packet.force_sync else 0)
    )
    framing = _FRAMING.pack(
        _length(total - 38),
        _FRAMING_DATA,
        _name_octets(packet.source_name),
        _in("priority", packet.priority, PRIORITIES),
        _in("sync_address", packet.sync_address, range(64000)),
        _in("sequence", packet.sequence, range(256)),
        options,
        _in("universe", packet.universe, DATA_UNIVERSES),
    )
    start_code = _in("start_code", packet.start_code, range(256))
    dmp = _DMP.pack(_length(total - 115), 0x02, 0xA1, 0, 1, len(packet.slots) + 1, start_code)
    return _root(_ROOT_DATA, total, packet.cid) + framing + dmp + packet.slots


def _encode_sync(packet: SyncPacket) -> bytes:
    total = _ROOT.size + _SYNC.size
    return _root(_ROOT_EXTENDED, total, packet.cid) + _SYNC.pack(
        _length(total - 38),
        _EXTENDED_SYNC,
        _in("sequence", packet.sequence, range(256)),
        _in("sync_address", packet.sync_address, DATA_UNIVERSES),
        0,
    )


def _encode_discovery(packet: DiscoveryPacket) -> bytes:
    universes = packet.universes
    if len(universes) > UNIVERSES_A_PAGE:
        raise FieldError("universes", len(universes), f"a page lists at most {UNIVERSES_A_PAGE}")
    if any(b <= a for a, b in itertools.pairwise(universes)):
        raise FieldError("universes", universes, "must be ascending")
    for universe in universes:
        _in("universes", universe, DATA_UNIVERSES)
    total = _ROOT.size + _DISCOVERY.size + 2 * len(universes)
    page = _in("page", packet.page, range(_in("last_page", packet.last_page, range(256)) + 1))
    return (
        _root(_ROOT_EXTENDED, total, packet.cid)
        + _DISCOVERY.pack(
            _length(total - 38),
            _EXTENDED_DISCOVERY,
            _name_octets(packet.source_name),
            0,
            _length(total - 112),
            _UNIVERSE_LIST,
            page,
            packet.last_page,
        )
        + struct.pack(f">{len(universes)}H", *universes)
    )


def decode(octets: bytes) -> Packet:
    """Decode a datagram; octets after the stated length are ignored.

    Raises:
        OctetsError: the octets are not a packet of this standard; see the promise at the top of the file.
    """
    if len(octets) < _ROOT.size + 6:
        raise OctetsError("too short for a root and a framing layer", len(octets))
    preamble, postamble, identifier, flags, vector, cid = _ROOT.unpack_from(octets)
    if (preamble, postamble, identifier) != (0x0010, 0, IDENTIFIER):
        raise OctetsError("not ACN over UDP", 0)
    end = _end(flags, 16, len(octets))
    body = octets[:end]
    framing_flags, framing_vector = struct.unpack_from(">HI", body.ljust(44, b"\0"), 38)
    if _end(framing_flags, 38, end) != end:
        raise OctetsError("framing layer does not fill the root layer", 38)
    sender = uuid.UUID(bytes=cid)
    if (vector, framing_vector) == (_ROOT_DATA, _FRAMING_DATA):
        return _decode_data(body, sender)
    if (vector, framing_vector) == (_ROOT_EXTENDED, _EXTENDED_SYNC):
        return _decode_sync(body, sender)
    if (vector, framing_vector) == (_ROOT_EXTENDED, _EXTENDED_DISCOVERY):
        return _decode_discovery(body, sender)
    raise OctetsError(f"unknown vectors {vector} and {framing_vector}", 18)


def _end(flags: int, start: int, available: int) -> int:
    if flags >> 12 != 0x7:
        raise OctetsError("flags are not 0x7", start)
    end = start + (flags & 0xFFF)
    if end > available:
        raise OctetsError(f"stated to end at octet {end}, but there are {available}", start)
    return end


def _name(octets: bytes) -> str:
    # A name that is not UTF-8 or fills its field is decoded as well as possible; the CID identifies a source.
    name = octets.split(b"\0", 1)[0].decode("utf-8", "replace")
    while len(name.encode()) > 63:
        name = name[:-1]
    return name


def _peer(value: int, allowed: range, field: str, offset: int) -> int:
    if value not in allowed:
        raise OctetsError(f"{field} {value} is not {allowed[0]} to {allowed[-1]}", offset)
    return value


def _decode_data(body: bytes, cid: uuid.UUID) -> DataPacket:
    if len(body) < _DATA_HEAD:
        raise OctetsError("data packet without a start code", len(body))
    _, _, name, priority, sync_address, sequence, options, universe = _FRAMING.unpack_from(body, _ROOT.size)
    flags, vector, types, first, increment, count, start_code = _DMP.unpack_from(body, 115)
    if (vector, types, first, increment) != (0x02, 0xA1, 0, 1):
        raise OctetsError("not a set-property message of one-octet levels from address 0", 117)
    if _end(flags, 115, len(body)) != len(body) or count != len(body) - _DATA_HEAD + 1:
        raise OctetsError("property values do not fill the packet", 115)
    _peer(count, range(1, MOST_SLOTS + 2), "property value count", 123)
    return DataPacket(
        cid=cid,
        source_name=_name(name),
        universe=_peer(universe, DATA_UNIVERSES, "universe", 113),
        sequence=sequence,
        slots=body[_DATA_HEAD:],
        priority=_peer(priority, PRIORITIES, "priority", 108),
        sync_address=_peer(sync_address, range(64000), "synchronization address", 109),
        preview=bool(options & _PREVIEW),
        terminated=bool(options & _TERMINATED),
        force_sync=bool(options & _FORCE_SYNC),
        start_code=start_code,
    )


def _decode_sync(body: bytes, cid: uuid.UUID) -> SyncPacket:
    if len(body) != _ROOT.size + _SYNC.size:
        raise OctetsError("synchronization packet is not 49 octets", len(body))
    _, _, sequence, sync_address, _ = _SYNC.unpack_from(body, _ROOT.size)
    return SyncPacket(cid, _peer(sync_address, DATA_UNIVERSES, "synchronization address", 45), sequence)


def _decode_discovery(body: bytes, cid: uuid.UUID) -> DiscoveryPacket:
    start = _ROOT.size + _DISCOVERY.size
    if len(body) < start or len(body) % 2:
        raise OctetsError("discovery packet is cut", len(body))
    _, _, name, _, flags, vector, page, last_page = _DISCOVERY.unpack_from(body, _ROOT.size)
    if vector != _UNIVERSE_LIST or _end(flags, 112, len(body)) != len(body):
        raise OctetsError("universe list does not fill the packet", 112)
    universes = struct.unpack_from(f">{(len(body) - start) // 2}H", body, start)
    if len(universes) > UNIVERSES_A_PAGE or page > last_page:
        raise OctetsError("more universes or pages than stated", 118)
    if any(b <= a for a, b in itertools.pairwise(universes)):
        raise OctetsError("universes are not ascending", start)
    for universe in universes:
        _peer(universe, DATA_UNIVERSES, "universe", start)
    return DiscoveryPacket(cid, _name(name), universes, page, last_page)
