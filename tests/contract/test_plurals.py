"""Contract: one of a thing is said as one."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from fillside.belief.evidence import ReadingError
from fillside.belief.evidence_table import readings_from_csv
from fillside.daemon.service import status_line
from fillside.photometry.source import LightSources
from fillside.planning.look.lens import lens_answer
from fillside.rig.tables.plan import View
from fillside.rig_file import load_rig
from fillside_drivers.registry import kinds

CAMERA, FACE = np.array([0.0, -2.5, 1.2]), np.array([0.0, 0.0, 1.2])
DESK = Path(__file__).parents[2] / "config" / "desk.toml"


@pytest.mark.parametrize("outside", [1.2, 2.2])
def test_degrees_outside_the_frame(outside: float) -> None:
    # A small source behind the subject, so many degrees above the upper edge of a square frame of 40 degrees.
    up = np.radians(20.0 + outside)
    place = (CAMERA + 4.0 * np.array([0.0, np.cos(up), np.sin(up)]))[np.newaxis]
    aim = CAMERA - place[0]
    one = np.ones(1)
    source = LightSources(
        place, (aim / np.linalg.norm(aim))[np.newaxis], 500 * one, one, 0.001 * one, 0 * one
    )
    view = View(degrees=40.0, aspect=1.0)
    said = lens_answer("hair", source, 0, 1.0, camera=CAMERA, looks_at=FACE, view=view, exposure_lux=300.0)
    assert said.do is not None
    assert ("from 1 degree outside" if outside < 1.5 else "from 2 degrees outside") in said.do


def test_one_head_works() -> None:
    now = {"ratio_error_stops": 0.0, "exposure_error_stops": 0.0}
    state = {"rig": "corner", "mode": "follow", "achieved": now, "heads": [{"works": True}], "notes": []}
    assert status_line(state).endswith("; 1 of 1 head works")


def test_one_head_needs_one_level() -> None:
    text = "head,level,x,y,z,value,unit,receptor,facing\nkey,1.0+0.5,0,0,1.2,640,lux,flat,head\n"
    with pytest.raises(ReadingError, match=re.escape('1 head needs 1 level such as "1.0"')):
        readings_from_csv(text, load_rig(DESK, kinds=kinds()))
