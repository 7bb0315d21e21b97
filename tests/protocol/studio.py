"""A small studio with doors, for the tests of the doors: two simulated heads and two marks."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

from fillside.daemon.composition import Running, Settings, daemon
from fillside.doors.http.listening import Listen
from fillside.rig.file.load import load_rig_text
from fillside.rig.tables.model import Rig
from fillside_drivers.registry import kinds

RIG = """
[rig]
name = "corner"
[camera]
position = [0.0, -2.4, 1.4]
iso = 400
shutter = "1/50"
aperture = 4.0
[marks]
chair = [0.0, 0.0, 1.2]
desk = [0.6, 0.3, 1.25]
[hold]
pace = "quick"
order_speed = 6.0
[[heads]]
name = "key"
role = "key"
position = [1.1, -1.0, 1.9]
intensity = 3800
modifier = { kind = "shoot-through", diameter = 0.9 }
dimming = { curve = "square", floor = 0.03 }
drive = { driver = "room", bits = 16 }
[[heads]]
name = "fill"
role = "fill"
position = [-1.3, -1.2, 1.6]
intensity = 2600
modifier = { kind = "softbox", diameter = 0.9 }
dimming = { curve = "square", floor = 0.03 }
drive = { driver = "room", bits = 16 }
[drivers.room]
kind = "sim"
"""


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
