"""Octets and times of ANSI E1.11 (DMX512-A), 2008 edition reaffirmed 2018; pure.

A packet is a break, a mark after it, the start code and up to 512 slots, each of 11 bits of 4 us. The line
may rest between packets, up to a second from break to break.
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
"""With fewer, the shortest packet allowed would have to be filled with rest."""

NULL_START_CODE = 0


def packet_s(slots: int) -> float:
    """The shortest time from break to break of a packet with `slots` slots after the start code, s.

    >>> [round(1e6 * packet_s(n)) for n in (24, 128, 512)]
    [1204, 5780, 22676]
    """
    return max(SHORTEST_PACKET_S, BREAK_S + MARK_S + SLOT_S * (1 + slots))


def highest_rate_hz(slots: int) -> float:
    """How many packets of `slots` slots a second the line carries at most.

    >>> round(highest_rate_hz(512), 4)
    44.0995
    """
    return 1 / packet_s(slots)


def packet_octets(slots: bytes) -> bytes:
    """What follows the mark: the start code for levels, then the slots, slot 1 first."""
    return bytes((NULL_START_CODE,)) + slots
