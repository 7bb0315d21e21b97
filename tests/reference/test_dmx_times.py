"""Reference: times of ANSI E1.11-2008 (R2018), table 6, from memory, and arithmetic on them."""

from __future__ import annotations

import pytest

from fillside_drivers.dmx_serial.timing import (
    BAUD,
    BREAK_S,
    LONGEST_PACKET_S,
    MARK_S,
    NULL_START_CODE,
    SHORTEST_PACKET_S,
    SLOT_S,
    highest_rate_hz,
    packet_octets,
    packet_s,
)


def test_numbers_of_the_line() -> None:
    assert (BAUD, round(1e6 / BAUD), NULL_START_CODE) == (250_000, 4, 0)
    assert [round(1e6 * s) for s in (SLOT_S, BREAK_S, MARK_S)] == [44, 92, 12]
    assert [round(1e6 * s) for s in (SHORTEST_PACKET_S, LONGEST_PACKET_S)] == [1204, 1_000_000]


# 1e6 / (92 + 12 + 44 (1 + slots)); the shortest packet of 1204 us is that of 24 slots.
@pytest.mark.parametrize(
    ("slots", "microseconds", "hertz"),
    [
        (24, 1204, 830.565),
        (64, 2964, 337.382),
        (128, 5780, 173.010),
        (256, 11412, 87.627),
        (512, 22676, 44.099),
    ],
)
def test_packet_times(slots: int, microseconds: int, hertz: float) -> None:
    assert round(1e6 * packet_s(slots)) == microseconds
    assert round(highest_rate_hz(slots), 3) == hertz


def test_octets_of_a_packet() -> None:
    assert packet_octets(b"\x01\x02") == b"\x00\x01\x02"
