"""Open Sound Control 1.0 packets: bytes to messages and messages to bytes. No socket, no clock.

python-osc reads the texts and numbers. Messages are taken apart here, because its reader reads the address
and the tags once more; and bundles, because it loops forever on an element of negative size, and recurses as
deep as a packet nests. Whatever comes in, `messages_of` returns messages or raises MalformedError, and
nothing else.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from pythonosc.osc_message_builder import BuildError, OscMessageBuilder
from pythonosc.parsing import osc_types

LONGEST, DEEPEST, MOST = 8192, 4, 64
"""The most octets of a packet, levels of nested bundles, and messages of a packet."""

_READERS: dict[str, Callable[[bytes, int], tuple[int | float | str, int]]] = {
    "i": osc_types.get_int,
    "f": osc_types.get_float,
    "s": osc_types.get_string,
    "d": osc_types.get_double,
    "h": osc_types.get_int64,
}
_CONSTANTS = {"T": True, "F": False, "N": None}
KNOWN_TAGS = frozenset({*_READERS, *_CONSTANTS})

_BUNDLE = b"#bundle\x00"
_IMMEDIATELY = 1
_NTP_TO_UNIX_S = 2_208_988_800
"""The seconds from 1900-01-01 to 1970-01-01, RFC 868."""

Value = int | float | str | bool | None


class MalformedError(ValueError):
    """Octets that are not a readable OSC packet."""


@dataclass(frozen=True)
class Message:
    """An address and its arguments; `at_s` is the time at which it takes effect [Unix s], None for now."""

    address: str
    values: tuple[Value, ...] = ()
    at_s: float | None = None


def messages_of(packet: bytes) -> list[Message]:
    """Return the messages of a packet, in order. Raises MalformedError.

    >>> messages_of(bytes.fromhex("2f6b65792f6c6576656c00002c696600000000013f000000"))
    [Message(address='/key/level', values=(1, 0.5), at_s=None)]
    """
    if len(packet) > LONGEST:
        raise MalformedError(f"{len(packet)} octets; at most {LONGEST} can be")
    found = []
    for message in _read(packet, None, 0):
        found.append(message)
        if len(found) > MOST:
            raise MalformedError(f"more than {MOST} messages")
    return found


def _read(packet: bytes, at_s: float | None, depth: int) -> Iterator[Message]:
    if not packet.startswith(_BUNDLE):
        yield _message(packet, at_s)
        return
    if depth >= DEEPEST or len(packet) < 16:
        raise MalformedError("bundles within bundles, too many" if depth >= DEEPEST else "a bundle cut short")
    at_s = _time(packet[8:16])
    place = 16
    while place < len(packet):
        size = int.from_bytes(packet[place : place + 4], "big", signed=True)
        place += 4
        if size <= 0 or size % 4 or place + size > len(packet):
            raise MalformedError("an element of impossible size")
        yield from _read(packet[place : place + size], at_s, depth + 1)
        place += size


def _time(tag: bytes) -> float | None:
    whole = int.from_bytes(tag, "big")
    return None if whole == _IMMEDIATELY else whole / 2**32 - _NTP_TO_UNIX_S


def _message(packet: bytes, at_s: float | None) -> Message:
    if not packet.startswith(b"/") or len(packet) % 4:
        raise MalformedError("neither a message nor a bundle")
    try:
        address, place = osc_types.get_string(packet, 0)
        tags, place = osc_types.get_string(packet, place) if place < len(packet) else (",", place)
        if not tags.startswith(",") or not KNOWN_TAGS.issuperset(tags[1:]):
            raise MalformedError("arguments of a type that no order uses")
        values: list[Value] = []
        for tag in tags[1:]:
            if tag in _CONSTANTS:
                values.append(_CONSTANTS[tag])
            else:
                value, place = _READERS[tag](packet, place)
                values.append(value)
    except (osc_types.ParseError, UnicodeDecodeError, struct.error) as error:
        raise MalformedError(str(error)) from None
    return Message(address, tuple(values), at_s)


def packet_of(message: Message) -> bytes:
    """Return the octets of one message of texts and numbers. Raises MalformedError if it is too long.

    >>> packet_of(Message("/studio/ratio", (3.0,))).hex()
    '2f73747564696f2f726174696f0000002c66000040400000'
    """
    builder = OscMessageBuilder(message.address)
    try:
        for value in message.values:
            builder.add_arg(value)
        octets: bytes = builder.build().dgram
    except BuildError as error:
        raise MalformedError(str(error)) from None
    return octets
