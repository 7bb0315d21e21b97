"""A small studio with doors, for the tests of the doors: two simulated heads and two marks."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

from fillside.daemon.composition import Running, Settings, daemon
from fillside.doors.http.listening import Listen
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from fillside_drivers.registry import kinds
from rigs import CHAIR_AND_DESK, SOFT_PAIR, pair, sim, studio, toml

RIG = toml(
    studio(
        marks=CHAIR_AND_DESK,
        hold={"pace": "quick", "order_speed": 6.0},
        heads=pair(**SOFT_PAIR, drive={"driver": "room", "bits": 16}),
        drivers=sim("room"),
    )
)


def rig(tables: str = "", *marks: str) -> Rig:
    """The rig with some tables more, and lines more among its marks."""
    text = RIG.replace("[marks]\n", "\n".join(("[marks]", *marks, "")))
    return load_rig_text(text + tables, kinds=kinds())


@contextlib.asynccontextmanager
async def running(folder: Path, tables: str = "", *marks: str) -> AsyncIterator[Running]:
    """The daemon with the doors that `tables` open."""
    kept = folder / "kept"
    kept.mkdir(exist_ok=True)
    async with daemon(rig(tables, *marks), Settings(kept, folder / "tokens.json", Listen(port=0))) as up:
        yield up
