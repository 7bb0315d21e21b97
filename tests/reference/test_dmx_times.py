"""Reference: times of ANSI E1.11-2008 (R2018), table 6, from memory, and arithmetic on them."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from fillside_drivers.dmx_serial.options import DmxSerialOptions
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
        (24, 1204, 830.5647841),
        (64, 2964, 337.3819163),
        (128, 5780, 173.0103806),
        (256, 11412, 87.62705924),
        (512, 22676, 44.09948845),
    ],
)
def test_packet_times(slots: int, microseconds: int, hertz: float) -> None:
    assert round(1e6 * packet_s(slots)) == microseconds
    assert highest_rate_hz(slots) == pytest.approx(hertz, rel=5e-10)


def test_receivers_get_more_than_they_must_take() -> None:
    """Table 6, from memory: a receiver takes a break of 88 us and a mark of 8 us, and may call the line lost
    after a second without a packet."""
    assert BREAK_S >= 88e-6
    assert MARK_S >= 8e-6
    assert LONGEST_PACKET_S == 1.0
    assert DmxSerialOptions(device="line", rate_hz=1.0).rate_hz == 1.0
    with pytest.raises(ValidationError, match="rate_hz"):
        DmxSerialOptions(device="line", rate_hz=0.999)


def test_a_break_of_one_slow_character() -> None:
    """Zeros sent as 8N2 hold the line low for nine bits and high for two: at 90 000 baud 100 us and
    22.2222222 us, and up to 97 826.08696 baud the break is long enough (arithmetic)."""
    low_us, high_us = 1e6 * 9 / 90_000, 1e6 * 2 / 90_000
    assert (low_us, high_us) == pytest.approx((1e6 * BREAK_S + 8.0, 1e6 * MARK_S + 10.2222222), abs=1e-7)
    assert pytest.approx(0, abs=0.5001e-5) == 9 / BREAK_S - 97826.08696


def test_octets_of_a_packet() -> None:
    assert packet_octets(b"\x01\x02") == b"\x00\x01\x02"
