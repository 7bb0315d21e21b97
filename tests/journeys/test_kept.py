"""Journey: what a real daemon answered with ok is there after it was killed, and a disk that takes nothing is
read, said, and written to as soon as it can be."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest

from fillside.storage.records.metering import readings
from fillside.storage.records.saved_state import load_state
from fillside.storage.store import Store
from journeys.running import Daemon, running
from protocol.studio import RIG

PARTS = ("mode", "trims", "subject", "balance", "undo")
IN_A_FADE: tuple[dict[str, Any], ...] = (
    {"do": "balance", "ratio": "4:1"},
    {"do": "trim", "role": "fill", "by": -1},
    {"do": "move", "mark": "desk"},
)
WAIT_S = 60.0


def wanted(state: dict[str, Any]) -> dict[str, Any]:
    return {part: state[part] for part in PARTS}


@pytest.fixture(scope="module")
def slow_rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("rig") / "corner.toml"
    path.write_text(RIG.replace("order_speed = 6.0", "order_speed = 0.2"))
    return path


@pytest.fixture(scope="module")
def killed(slow_rig: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The data of a daemon that was killed right after its last answer, and the state in that answer."""
    data = tmp_path_factory.mktemp("killed") / "data"
    with running(slow_rig, data) as daemon:
        for order in IN_A_FADE:
            answer = daemon.do(**order)
            assert answer["ok"], answer
        daemon.process.kill()
    assert not answer["state"]["settled"]
    return data, answer["state"]


def test_killed_right_after_the_answer_in_a_fade_nothing_is_lost(
    slow_rig: Path, tmp_path: Path, killed: tuple[Path, dict[str, Any]]
) -> None:
    data, last = tmp_path / "data", killed[1]
    shutil.copytree(killed[0], data)
    with running(slow_rig, data) as daemon:
        assert wanted(daemon.get("/api/v1/state")) == wanted(last)
        assert daemon.do(do="undo")["note"] == "undone: move to desk"
        daemon.do(do="keep")
        daemon.do(do="freeze")
        daemon.process.kill()
    with Store.open(data) as store:
        kept = load_state(store)
    assert kept["mode"] == "freeze"
    assert kept["balance"]["ratio"] != 4.0
    assert [text.partition(",")[0] for text in kept["undoable"]] == [
        '{"do":"balance 4:1"', '{"do":"trim fill -1 stop"', '{"do":"keep"', '{"do":"freeze"',
    ]  # fmt: skip


MAY_MOUNT = (
    os.geteuid() == 0
    and shutil.which("unshare") is not None
    and shutil.which("nsenter") is not None
    and subprocess.run(
        ["unshare", "-m", "mount", "-t", "tmpfs", "none", "/mnt"], check=False, capture_output=True
    ).returncode
    == 0
)


class Mounted(Daemon):
    """A daemon whose data are on a small disk of its own, which is read-only at first."""

    def __init__(self, rig: Path, disk: Path, data: Path) -> None:
        disk.mkdir()
        ready = (
            f"mount -t tmpfs -o size=2m none {disk} && cp -r {data} {disk}/data && mount -o remount,ro {disk}"
        )
        within = ["unshare", "-m", "sh", "-c", f'{ready}; exec "$@"', "sh"]
        super().__init__(rig, disk / "data", within=within)

    def there(self, script: str) -> None:
        """Run a line of shell where the disk is."""
        within = ["nsenter", "-m", "-t", str(self.process.pid), "sh", "-c", script]
        subprocess.run(within, check=True, capture_output=True)

    def kept_again(self) -> None:
        deadline = time.monotonic() + WAIT_S
        while not self.get("/api/v1/state")["storage"]["kept"]:
            assert time.monotonic() < deadline, "not kept again"
            time.sleep(0.1)


def takes_nothing(daemon: Daemon, why: str) -> None:
    """An order is obeyed and said not to last, a reading is refused."""
    assert "will not outlive a restart" in daemon.do(do="trim", role="fill", by=-0.5)["note"]
    table = "head,level,x,y,z,value,unit,receptor,facing\nkey,1,0,0,1.2,640,lux,flat,head"
    assert f"cannot be kept: {why}" in daemon.do(do="import", readings=table)["error"]["message"]
    storage = daemon.get("/api/v1/state")["storage"]
    assert not storage["kept"]
    assert why in storage["note"]
    assert daemon.get("/health")["storage"] == why


@pytest.mark.skipif(not MAY_MOUNT, reason="mounting a disk needs root and unshare")
def test_a_disk_that_takes_nothing_is_read_and_written_to_once_it_is_mended(
    slow_rig: Path, tmp_path: Path, killed: tuple[Path, dict[str, Any]]
) -> None:
    disk, copy = tmp_path / "disk", tmp_path / "copy"
    daemon = Mounted(slow_rig, disk, killed[0])
    try:
        assert wanted(daemon.get("/api/v1/state")) == wanted(killed[1])
        takes_nothing(daemon, "the data folder is read-only")
        daemon.there(f"mount -o remount,rw {disk}")
        daemon.kept_again()
        daemon.there(f"dd if=/dev/zero of={disk}/full bs=4k || true")
        takes_nothing(daemon, "the disk is full")
        daemon.there(f"rm {disk}/full")
        daemon.kept_again()
        assert "outlive" not in daemon.do(do="expose", by=0.5)["note"]
        daemon.there(f"cp -r {disk}/data {copy}")
    finally:
        daemon.stop(signal.SIGKILL)
    with Store.open(copy) as store:
        assert load_state(store)["trims"] == {"fill": -2.0}
        assert load_state(store)["exposure_stops"] == 0.5
        assert readings(store) == []
