"""How many single damages to the kept data end a start, or have a door answer 500; by hand, some minutes.

    python tests/bench/bench_damages.py [EVERY]     one in EVERY damages, each on a whole daemon

With the start of before these checks, of 492 damages 134 ended the start and 138 gave a 500.
"""

from __future__ import annotations

import asyncio
import itertools
import logging
import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path

import aiohttp

sys.path.insert(0, str(Path(__file__).parent.parent))

from contract.damages import all_damages, kept_folder
from fillside.daemon.composition import Settings, daemon
from fillside.doors.http.listening import Listen
from protocol.studio import rig

WITHIN_S = 200.0
PATHS = (
    *(f"/api/v1/{name}" for name in ("state", "readings", "calibrations", "takes", "journal")),
    "/metrics",
)
ORDERS = (
    {"do": "expose", "by": 0.1},
    {"do": "freeze"},
    {"do": "read", "head": "key", "level": 1.0, "at": "chair", "value": 640},
    {"do": "strike", "reading": 1, "why": "x"},
    {"do": "calibration", "use": 1},
    {"do": "lineup", "act": "start"},
    {"do": "undo"},
)


async def faults(folder: Path) -> list[str]:
    """What a daemon on this folder answers with 500."""
    settings = Settings(folder, folder / "tokens.json", Listen(port=0))
    async with (
        asyncio.timeout(WITHIN_S),
        daemon(rig(), settings) as up,
        aiohttp.ClientSession(up.url) as session,
    ):
        found = []
        for path in PATHS:
            async with session.get(path) as response:
                found += [path] if response.status == 500 else []
        for order in ORDERS:
            async with session.post("/api/v1/do", json=order) as response:
                found += [str(order["do"])] if response.status == 500 else []
        return found


def main(every: int) -> None:
    """Try the damages one after the other, and print what went wrong."""
    logging.disable(logging.CRITICAL)
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as whole:
        kept_folder(Path(whole), rig())
        for damage in itertools.islice(all_damages(Path(whole)), 0, None, every):
            with tempfile.TemporaryDirectory() as beside:
                folder = Path(beside) / "kept"
                shutil.copytree(whole, folder)
                damage.do(folder)
                try:
                    found = asyncio.run(faults(folder))
                except Exception as error:
                    counts["ends the start"] += 1
                    print(f"{damage.name}: {error!r}")
                    continue
            counts["answers 500" if found else "well"] += 1
            if found:
                print(f"{damage.name}: 500 for {', '.join(found)}")
    print(dict(counts))


if __name__ == "__main__":
    main(int(sys.argv[1]) if sys.argv[1:] else 1)
