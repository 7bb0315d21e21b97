"""Octets and times of ANSI E1.11 (DMX512-A), 2008 edition reaffirmed 2018.

A packet consists of a break, a mark after break, the start code and up to 512 slots, each of 11 bits of 4 us.
The line may idle between packets, up to a second from break to break.
"""

from __future__ import annotations

BAUD = 250_000
SLOT_S = 44e-6
"""A start bit, eight data bits and two stop bits of 4 us."""

BREAK_S, MARK_S = 92e-6, 12e-6
"""Shortest break and mark after break of a transmitter."""

SHORTEST_PACKET_S, LONGEST_PACKET_S = 1204e-6, 1.0
"""From break to break."""

LEAST_SLOTS = 24
"""Fewer slots would need idle time to reach the shortest packet allowed."""

NULL_START_CODE = 0


def packet_s(slots: int) -> float:
    """Return the shortest time from break to break [s] of a packet with `slots` slots after the start code.

    >>> [round(1e6 * packet_s(n)) for n in (24, 128, 512)]
    [1204, 5780, 22676]
    """
    return max(SHORTEST_PACKET_S, BREAK_S + MARK_S + SLOT_S * (1 + slots))


def highest_rate_hz(slots: int) -> float:
    """Return the highest rate [1/s] of packets with `slots` slots.

    >>> round(highest_rate_hz(512), 4)
    44.0995
    """
    return 1 / packet_s(slots)


def packet_octets(slots: bytes) -> bytes:
    """Return the octets after the mark: the start code for levels, then the slots from slot 1."""
    return bytes((NULL_START_CODE,)) + slots
