"""The disk of a world: folders that outlive a killed daemon."""

from __future__ import annotations

import shutil
from pathlib import Path


class Disk:
    """Where the daemon keeps its data. Each death leaves a copy of what the system had then; the next start
    goes on from that, so nothing that a dead process still held open can reach it."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._lives = folder, 0
        self.data = folder / "kept-0"

    def killed(self) -> None:
        """Go on from the files as the system has them; SQLite makes its shared memory anew."""
        before = self.data
        self._lives += 1
        self.data = self._folder / f"kept-{self._lives}"
        if before.exists():
            shutil.copytree(before, self.data, ignore=shutil.ignore_patterns("*-shm"))
