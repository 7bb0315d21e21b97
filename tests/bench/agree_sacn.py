"""Bench: E1.31 packets in great numbers before decoders of other people.

Run by hand: ``python tests/bench/agree_sacn.py [number]``, by default ten thousand. Prints how many
property-generated packets tshark and the `sacn` package read otherwise than we mean them; ends with 1 at any
difference. Damaged packets come from `fuzz.py`.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from fillside_drivers.sacn.packet import DataPacket, encode
from protocol.agreement import differs_from_package, differs_from_tshark, seen_by_tshark
from protocol.packets import data_packets, packets
from protocol.test_sacn_agreement import many


def whole(count: int) -> int:
    """How many packets others read otherwise."""
    found = many(packets, count)
    by_package = Counter(field for packet in found for field in differs_from_package(packet))
    print(f"{len(found)} packets before the sacn package: {dict(by_package) or 'no difference'}")
    tshark = shutil.which("tshark")
    if tshark is None:
        print("tshark is not installed")
        return by_package.total() + 1
    data = [packet for packet in many(data_packets, count) if isinstance(packet, DataPacket)]
    with tempfile.TemporaryDirectory() as folder:
        rows = seen_by_tshark(tshark, [encode(packet) for packet in data], Path(folder) / "many.pcap")
    pairs = zip(data, rows, strict=True)
    by_tshark = Counter(field for packet, row in pairs for field in differs_from_tshark(packet, row))
    print(f"{len(data)} data packets before tshark: {dict(by_tshark) or 'no difference'}")
    return by_package.total() + by_tshark.total()


if __name__ == "__main__":
    sys.exit(1 if whole(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000) else 0)
