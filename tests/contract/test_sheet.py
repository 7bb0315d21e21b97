"""The lighting sheet: true to its scale, nothing off the paper, and everything on it to rebuild the set."""

from __future__ import annotations

import math
import os
import shutil
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from fillside.interfaces.lengths import Lengths
from fillside.interfaces.sheet.ink import Area, Page, Stroke, Words, width_of
from fillside.interfaces.sheet.layout import PAPERS, Paper, lay_out
from fillside.interfaces.sheet.render import render
from fillside.interfaces.sheet.symbols import LIT
from fillside.interfaces.sheet.views import Views, letters, scale_for
from fillside.photometry.exposure import f_stop_reading
from fillside.planning.checklists import checklists
from fillside.planning.meter_words import f_stop_words
from fillside.planning.plan import plan_rig
from fillside.planning.questions import default_answers
from fillside.planning.starter_text import rig_text
from fillside.rig.load import load_rig_text
from fillside.rig.model import Rig

USUAL = {"hair": "yes", "background": "yes", "glasses": "yes"}


def rig_of(**changes: Any) -> Rig:
    rig = load_rig_text(rig_text(default_answers(USUAL)), kinds=None)
    return Rig.model_validate({**rig.dump(), **changes})


def sheet(rig: Rig, paper: Paper = "a4", feet: bool = False) -> Page:
    report = plan_rig(rig, marks=[next(iter(rig.marks))], wander=False)
    return lay_out(rig, report, report.marks[0], Lengths(feet), paper)


def middles(page: Page) -> list[tuple[float, float]]:
    """The middles of the lit faces as drawn, in mm: those of the side view first."""
    return [
        (sum(x for x, _ in mark.spots) / len(mark.spots), sum(y for _, y in mark.spots) / len(mark.spots))
        for mark in page.marks
        if isinstance(mark, Area) and mark.ink == LIT
    ]


def scale_of(page: Page) -> int:
    told = next(text for text in page.words if "when printed at full size" in text)
    return int(told.partition("1:")[2].split()[0])


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_distances_on_the_paper_are_those_of_the_set(paper: Paper) -> None:
    rig = rig_of()
    page = sheet(rig, paper)
    count, mm_per_m = len(rig.heads), 1000 / scale_of(page)
    aside, above = middles(page)[:count], middles(page)[count:]
    for i in range(count):
        for j in range(i):
            across = math.dist(rig.heads[i].position[:2], rig.heads[j].position[:2])
            assert math.dist(above[i], above[j]) == pytest.approx(across * mm_per_m, abs=0.6)
            rise = rig.heads[i].position[2] - rig.heads[j].position[2]
            assert aside[i][1] - aside[j][1] == pytest.approx(rise * mm_per_m, abs=0.6)


def test_camera_right_is_down_the_page() -> None:
    rig = rig_of()
    views = Views(rig, plan_rig(rig, wander=False).marks[0])
    key = next(drawn for drawn in views.heads if drawn.head.name == "key")
    assert rig.head("key").position[0] > 0
    assert key.place_above[1] < 0
    assert key.place_above[0] < 0, "between camera and subject"


def extents(page: Page) -> list[tuple[float, float]]:
    spots = [spot for mark in page.marks if not isinstance(mark, Words) for spot in mark.spots]
    for mark in page.marks:
        if isinstance(mark, Words):
            x, y = mark.spot
            width = width_of(mark.text, mark.size_pt) if mark.turn_deg == 0 else 0.0
            shift = {"left": 0.0, "center": width / 2, "right": width}[mark.side]
            spots += [(x - shift, y), (x - shift + width, y)]
    return spots


def crowded() -> Rig:
    """A dozen heads with long names, one right above the subject, a far wall and many marks."""
    rig = rig_of()
    first = rig.heads[0].model_dump(exclude_unset=True)
    heads = []
    for i in range(12):
        turn = 2 * math.pi * i / 11
        place = [2.5 * math.sin(turn), -1.9 * math.cos(turn), 1.6 + 0.1 * i] if i else [0.0, 0.0, 2.4]
        role = "key" if i == 1 else "fill" if i == 2 else "rim"
        own = {**first, "name": f"a-very-long-name-of-a-head-{i}", "role": role, "position": place}
        if role == "rim":
            own["holds_like"] = "hair"
        own["drive"] = {"driver": "lamps", "universe": 1, "slot": 1 + i}
        heads.append(own)
    marks = {"middle": [0.0, 0.0, 1.2], **{f"mark-{i}": [0.2 * i, 0.1 * i, 1.3] for i in range(5)}}
    return rig_of(
        heads=heads,
        marks=marks,
        plan={"wall": 6.0, "ceiling": 3.2},
        balance={"exposure": 100.0},
    )


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("feet", [False, True])
@pytest.mark.parametrize("make", [rig_of, crowded])
def test_nothing_runs_off_the_paper(make: Any, paper: Paper, feet: bool) -> None:
    page = sheet(make(), paper, feet)
    width, height = PAPERS[paper]
    for x, y in extents(page):
        assert -0.5 <= x <= width + 0.5
        assert 0 <= y <= height


def test_camera_right_above_the_subject_is_drawn_all_the_same() -> None:
    rig = rig_of(camera={"position": [0.0, 0.0, 2.6], "iso": 400, "shutter": "1/50", "aperture": 4.0})
    assert len(middles(sheet(rig))) == 2 * len(rig.heads)


def test_everything_is_on_it_to_rebuild_the_set() -> None:
    rig = rig_of()
    page = sheet(rig)
    report = plan_rig(rig, wander=False)
    words = " ".join(page.words)
    flat = words.replace("\n", " ")
    for standing in report.marks[0].standings:
        assert f"{standing.floor_m:.2f} m" in flat
        assert f"{standing.height_m:.2f} m" in flat
        assert f"{abs(standing.side_deg):.0f}°" in flat
        assert f"{standing.up_deg:.0f}°" in flat
    for head in report.marks[0].balance.heads:
        assert head.name in flat
        assert f"{100 * head.level:.0f} %" in flat
    for needed in ("ISO", "shutter 1/50", "f/2.8", "ceiling 2.50 m", "Before", "During", "After", "To mind"):
        assert needed in flat
    lists = checklists(rig)
    for item in (*lists.before, *lists.during, *lists.after):
        assert item.split(";")[0].split()[0] in flat


def test_feet_all_over() -> None:
    page = sheet(rig_of(), "letter", feet=True)
    measures = [mark.text for mark in page.marks if isinstance(mark, Words) and mark.ink != "#22211f"]
    assert not [text for text in measures if text.endswith(" m")]
    assert [text for text in measures if "′" in text]


def test_svg_is_well_formed_and_says_what_it_says() -> None:
    page = sheet(rig_of())
    svg = render(page, "svg", "a sheet")
    root = ET.fromstring(svg)
    width = float(root.attrib["width"].removesuffix("pt"))
    assert width * 25.4 / 72 == pytest.approx(297.0, abs=0.1)
    text = " ".join("".join(node.itertext()) for node in root.iter("{http://www.w3.org/2000/svg}text"))
    assert "From above" in text
    assert render(page, "svg", "a sheet") == svg


@pytest.mark.skipif(
    shutil.which("pdftotext") is None and not os.environ.get("FILLSIDE_REQUIRE_PARTS"),
    reason="pdftotext (poppler-utils) is not installed",
)
def test_pdf_is_one_page_of_its_size(tmp_path: Path) -> None:
    # poppler reads what is drawn
    file = tmp_path / "sheet.pdf"
    file.write_bytes(render(sheet(rig_of(), "letter"), "pdf", "a sheet"))
    told = subprocess.run(["pdfinfo", file], capture_output=True, text=True, check=True, timeout=30).stdout
    assert "Pages:           1" in told
    assert "792 x 612" in told.replace(".0", "").replace("791.999", "792")
    words = subprocess.run(
        ["pdftotext", "-layout", file, "-"], capture_output=True, text=True, check=True, timeout=30
    ).stdout
    assert "From the side" in words
    assert "Each head alone" in words


def test_scale_is_the_largest_that_fits() -> None:
    assert scale_for(100.0, 100.0, 2.0, 1.0) == 20
    assert scale_for(100.0, 100.0, 2.01, 1.0) == 25
    assert letters(28)[25:] == ["Z", "AA", "AB"]


@pytest.mark.parametrize("lux", [20.0, 150.0, 500.0, 1000.0, 3333.0])
def test_meter_words_are_read_back_to_a_twentieth_of_a_stop(lux: float) -> None:
    words = f_stop_words(lux, 250.0, 400.0, 1 / 50)
    assert words is not None
    again = f_stop_reading(f"{words}@400@1/50").lux(250.0)
    assert abs(math.log2(again / lux)) <= 0.0501


def test_strokes_are_in_millimetres() -> None:
    page = Page(20, 20)
    page.stroke([(1, 1), (2, 2)])
    assert page.marks == [Stroke(((1, 1), (2, 2)))]
