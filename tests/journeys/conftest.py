"""Fixtures of the journeys: a rig on a wire that is listened to."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from journeys.running import Ear

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
order_speed = 6.0
[[heads]]
name = "key"
role = "key"
position = [1.1, -1.0, 1.9]
intensity = 3800
modifier = {{ kind = "shoot-through", diameter = 0.9 }}
dimming = {{ curve = "square", floor = 0.03 }}
drive = {{ driver = "stage", universe = 7, slot = 1, bits = 16 }}
[[heads]]
name = "fill"
role = "fill"
position = [-1.3, -1.2, 1.6]
intensity = 2600
modifier = {{ kind = "softbox", diameter = 0.9 }}
dimming = {{ curve = "square", floor = 0.03 }}
drive = {{ driver = "stage", universe = 7, slot = 511, bits = 16 }}
[drivers.stage]
kind = "sacn"
to = ["127.0.0.1:{port}"]
"""


@pytest.fixture
def ear() -> Iterator[Ear]:
    heard = Ear()
    yield heard
    heard.close()


@pytest.fixture
def rig(tmp_path: Path, ear: Ear) -> Path:
    """A rig of two 16-bit heads whose packets the ear hears: key on slots 1 and 2, fill on 511 and 512."""
    path = tmp_path / "corner.toml"
    path.write_text(RIG.format(port=ear.port))
    return path
