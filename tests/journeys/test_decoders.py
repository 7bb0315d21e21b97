"""Journey: an example rig runs, and decoders of other people read on its wire what `solve` prints.

tshark's ACN dissector and the `sacn` package; tshark must be there where CI is set.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import time
from pathlib import Path

import pytest
from sacn.messages.data_packet import DataPacket as TheirData

from journeys.forking import run
from journeys.running import HURRIED, Ear, running

ROOT = Path(__file__).resolve().parents[2]
DISSECT = ["--enable-heuristic", "acn", "-o", "acn.dmx_enable:TRUE", "-o", "acn.dmx_display_view:Decimal"]
DISSECT += ["-o", "acn.dmx_display_zeros:TRUE"]


@pytest.fixture
def desk(tmp_path: Path, ear: Ear) -> Path:
    """The example of a desk, as it is but for the port its packets go to."""
    text = (ROOT / "config" / "desk.toml").read_text("utf-8")
    assert text.count('to = ["127.0.0.1"]') == 1
    path = tmp_path / "desk.toml"
    path.write_text(text.replace('to = ["127.0.0.1"]', f'to = ["127.0.0.1:{ear.port}"]'))
    return path


def expected_slots(rig: Path) -> list[int]:
    """512 slots: what `solve` prints for each head, at the slot the rig file gives it."""
    done = run("solve", str(rig), "--json")
    slots = [0] * 512
    for head, first in zip(json.loads(done.stdout)["heads"], (1, 3), strict=True):
        slots[first - 1 : first - 1 + len(head["wire"])] = head["wire"]
    return slots


def test_the_sacn_package_reads_an_example_rig(desk: Path, ear: Ear, tmp_path: Path) -> None:
    with running(desk, tmp_path / "data", entry=HURRIED) as daemon:
        daemon.settled()
        time.sleep(2 / 44)
        packet = ear.waiting()[-1]
    theirs = TheirData.make_data_packet(packet)
    assert (theirs.universe, theirs.priority, theirs.dmxStartCode) == (1, 100, 0)
    assert list(theirs.dmxData) == expected_slots(desk)


def test_tshark_reads_an_example_rig(desk: Path, ear: Ear, tmp_path: Path) -> None:
    tshark = shutil.which("tshark")
    if tshark is None:
        assert not os.environ.get("CI"), "tshark is missing; where CI is set it must be installed"
        pytest.skip("tshark is not installed")
    file = tmp_path / "settled.pcap"
    with running(desk, tmp_path / "data", entry=HURRIED) as daemon:
        daemon.settled()
        time.sleep(2 / 44)
        # Once the light is settled every packet is the same; one keep-alive is enough.
        capture = [tshark, *DISSECT, "-i", "lo", "-f", f"udp dst port {ear.port}", "-c", "1", "-w", str(file)]
        subprocess.run([*capture, "-a", "duration:20"], check=True, capture_output=True, timeout=60)
    fields = ["-T", "fields", "-e", "acn.dmx.universe", "-e", "acn.dmx.count", "-e", "acn.dmx.data"]
    done = subprocess.run(
        [tshark, *DISSECT, "-r", str(file), *fields], check=True, capture_output=True, text=True, timeout=60
    )
    universe, count, table = done.stdout.strip("\n").split("\t")
    # tshark shows the slots in lines of twenty, each behind a label and a colon.
    lines = [line.partition(":")[2] for line in table.split(",") if ":" in line]
    slots = [int(value) for line in lines for value in line.replace("|", " ").split()]
    assert (universe, count) == ("1", "513")
    assert slots == expected_slots(desk)
