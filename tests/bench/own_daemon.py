"""`fillside run` in a process of its own, and a rig of two heads that is heard on a port of this machine."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from rigs import CAMERA, Table, pair, sacn, studio, toml

ENTRY = "from fillside.cli import main; main()"
STARTS_WITHIN_S = 60.0


def two_heads(port: int, exposure_lux: float, stops_s: float, **more: Table) -> str:
    """A rig file of a key and a fill, 16 bits each, that fades by orders at so many stops a second, with
    further tables."""
    wire = {"driver": "stage", "universe": 1}
    heads = pair(
        key={"intensity": 1800, "drive": {**wire, "slot": 1, "bits": 16}},
        fill={"intensity": 1600, "drive": {**wire, "slot": 3, "bits": 16}},
    )
    tables: Table = {"balance": {"exposure": exposure_lux}, "hold": {"order_speed": stops_s}, **more}
    camera = {"position": CAMERA["position"]}
    return toml(studio("bench", camera=camera, **tables, heads=heads, drivers=sacn("stage", port)))


class OwnDaemon:
    """The process, what it logs and where it listens; up once this is made. To be used in a `with`."""

    def __init__(self, folder: Path, rig: str, *more: str, entry: str = ENTRY) -> None:
        file, self.log = folder / "rig.toml", folder / "log"
        file.write_text(rig)
        command = [sys.executable, "-c", entry, "run", str(file), "--listen", "127.0.0.1:0"]
        with self.log.open("wb") as log:
            self.process = subprocess.Popen([*command, "--data", str(folder / "data"), *more], stderr=log)
        self.url = self._wait_for_url()
        self.port = int(self.url.rsplit(":", 1)[1])

    def _wait_for_url(self) -> str:
        deadline = time.monotonic() + STARTS_WITHIN_S
        while "://" not in (said := self.log.read_text("utf-8", "replace").rpartition("\n")[0]):
            if self.process.poll() is not None or time.monotonic() > deadline:
                self.process.kill()
                raise AssertionError(f"the daemon did not come up: {said}")
            time.sleep(0.1)
        return next(word for word in said.split() if "://" in word)

    def __enter__(self) -> OwnDaemon:
        return self

    def __exit__(self, *error: object) -> None:
        self.process.terminate()
        self.process.wait()
