"""Fixtures of the journeys: a rig on a wire that is listened to."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from journeys.running import Ear
from rigs import CHAIR_AND_DESK, SOFT_PAIR, laid, pair, sacn, studio, toml


def corner(port: int) -> str:
    """A rig file of two 16-bit heads, sent to a port of this machine."""
    slots = {name: {"drive": {"slot": slot, "bits": 16}} for name, slot in (("key", 1), ("fill", 511))}
    heads = pair(**laid(SOFT_PAIR, slots), drive={"driver": "stage", "universe": 7})
    hold = {"order_speed": 6.0}
    return toml(studio(marks=CHAIR_AND_DESK, hold=hold, heads=heads, drivers=sacn("stage", port)))


@pytest.fixture
def ear() -> Iterator[Ear]:
    heard = Ear()
    yield heard
    heard.close()


@pytest.fixture
def rig(tmp_path: Path, ear: Ear) -> Path:
    """A rig of two 16-bit heads whose packets the ear hears: key on slots 1 and 2, fill on 511 and 512."""
    path = tmp_path / "corner.toml"
    path.write_text(corner(ear.port))
    return path
