"""Bench: E1.31 packets in great numbers, before decoders of other people and damaged before ours.

Run by hand: ``python tests/bench/fuzz_sacn.py [damaged] [whole]``, by default a million and ten thousand.
Prints how many damaged packets were still packets and how long one takes, ours and the `sacn` package's
classes on the same octets; then how many property-generated packets tshark and the package read otherwise
than we mean them. Ends with 1 at anything but a packet or our own error, and at any difference.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from sacn.messages.data_packet import DataPacket as TheirData

from fillside_drivers.sacn.packet import DataPacket, encode
from protocol.agreement import differs_from_package, differs_from_tshark, seen_by_tshark
from protocol.mutants import mutants, survives
from protocol.packets import data_packets, packets
from protocol.test_sacn_agreement import many

BATCH = 50_000
SEED = 20_261_125


def damaged(count: int) -> int:
    """How many of the damaged packets did anything but they should."""
    alive, wrong = 0, 0
    ours_s = theirs_s = 0.0
    for start in range(0, count, BATCH):
        batch = list(mutants(SEED + start, min(BATCH, count - start)))
        begun = time.perf_counter()
        for octets in batch:
            try:
                alive += survives(octets)
            except Exception as error:
                wrong += 1
                print(f"{type(error).__name__}: {error}: {octets.hex()}")
        ours_s += time.perf_counter() - begun
        theirs_s += _took(TheirData.make_data_packet, batch)
    print(f"{count} damaged packets: {alive} are still packets, {wrong} did what they must not")
    print(
        f"{1e6 * ours_s / count:.1f} us each, {ours_s / theirs_s:.2f} of what the sacn package's reader takes"
    )
    return wrong


def _took(read: Callable[[bytes], object], batch: list[bytes]) -> float:
    begun = time.perf_counter()
    for octets in batch:
        try:
            read(octets)
        except (TypeError, ValueError, IndexError):
            continue
    return time.perf_counter() - begun


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
    numbers = [int(argument) for argument in sys.argv[1:]]
    failures = damaged(numbers[0] if numbers else 1_000_000)
    failures += whole(numbers[1] if len(numbers) > 1 else 10_000)
    sys.exit(1 if failures else 0)
