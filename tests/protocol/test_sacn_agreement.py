"""Protocol: many E1.31 packets before decoders of other people.

`tests/bench/agree_sacn.py` does the same with ten thousand of them, by hand.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fillside_drivers.sacn.packet import DataPacket, Packet, encode
from protocol.agreement import differs_from_package, differs_from_tshark, seen_by_tshark
from protocol.packets import data_packets, packets


def many(kind: st.SearchStrategy[Packet], count: int) -> list[Packet]:
    """About so many packets of a strategy."""
    found: list[Packet] = []

    @settings(max_examples=count, database=None, deadline=None, suppress_health_check=list(HealthCheck))
    @given(kind)
    def take(packet: Packet) -> None:
        found.append(packet)

    take()
    return found


def test_the_package_reads_every_field_as_we_mean_it() -> None:
    found = many(packets, 300)
    assert len(found) > 200
    assert [(packet, wrong) for packet in found if (wrong := differs_from_package(packet))] == []


@pytest.fixture
def tshark() -> str:
    found = shutil.which("tshark")
    if found is None:
        assert not os.environ.get("FILLSIDE_REQUIRE_PARTS"), "Debian's package tshark is required here"
        pytest.skip("needs the decoder of Debian's package tshark")
    return found


def test_tshark_reads_every_field_as_we_mean_it(tshark: str, tmp_path: Path) -> None:
    found = [packet for packet in many(data_packets, 200) if isinstance(packet, DataPacket)]
    rows = seen_by_tshark(tshark, [encode(packet) for packet in found], tmp_path / "many.pcap")
    assert len(rows) == len(found) > 100
    pairs = zip(found, rows, strict=True)
    assert [(packet, wrong) for packet, row in pairs if (wrong := differs_from_tshark(packet, row))] == []


def test_the_comparison_sees_a_difference_in_each_field(tshark: str, tmp_path: Path) -> None:
    first, second = many(data_packets.filter(lambda p: p.start_code == 0 and len(p.slots) > 9), 40)[-2:]
    assert isinstance(first, DataPacket)
    [row, _] = seen_by_tshark(tshark, [encode(first), encode(second)], tmp_path / "two.pcap")
    assert differs_from_tshark(first, row) == []
    changed = DataPacket(
        cid=type(first.cid)(int=first.cid.int ^ 1),
        source_name=first.source_name[:5] + "x",
        universe=first.universe % 63999 + 1,
        sequence=first.sequence ^ 1,
        slots=bytes(octet ^ 1 for octet in first.slots) + b"\0",
        priority=(first.priority + 1) % 201,
        preview=not first.preview,
        terminated=not first.terminated,
    )
    assert len(differs_from_tshark(changed, row)) >= 9
