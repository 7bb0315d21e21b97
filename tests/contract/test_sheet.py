"""The lighting sheet: true to scale, no type too small or in the way, and all on it to rebuild the set."""

from __future__ import annotations

import math
import os
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from fillside.photometry.exposure import f_stop_reading
from fillside.planning.figures import Lengths, f_stop_text
from fillside.planning.plan import PlanReport, plan_rig
from fillside.planning.safety.checklists import checklists
from fillside.planning.starter.questions import default_answers
from fillside.planning.starter.rig_text import rig_text
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig, load_rig_text
from fillside.sheet.drawing.page import (
    CHALK,
    GRAPHITE,
    Area,
    PageText,
    SheetPage,
    Stroke,
    overlap,
    text_outline,
    text_width_mm,
    wrap_text,
)
from fillside.sheet.drawing.render import render
from fillside.sheet.drawing.symbols import LIT
from fillside.sheet.layout import PAPERS, Paper, lay_out
from fillside.sheet.views import SetViews, letters

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = {path.stem: path for path in (ROOT / "config").glob("*.toml")} | {
    "demo": ROOT / "service" / "fillside" / "demo" / "studio.toml"
}
USUAL = {"hair": "yes", "background": "yes", "glasses": "yes"}


def rig_of(**changes: Any) -> Rig:
    rig = load_rig_text(rig_text(default_answers(USUAL)), kinds=None)
    return Rig.model_validate({**rig.dump(), **changes})


def planned(rig: Rig) -> PlanReport:
    return plan_rig(rig, marks=[rig.subject.at or next(iter(rig.marks))], wander=False)


def sheet(rig: Rig) -> tuple[SheetPage, ...]:
    report = planned(rig)
    return lay_out(rig, report, report.marks[0], Lengths(), "a4")


def words_of(*pages: SheetPage) -> str:
    return " ".join(text for page in pages for text in page.words)


def middles(page: SheetPage) -> list[tuple[float, float]]:
    """The middles of the lit faces as drawn, in mm: those of the view from above first."""
    return [middle(mark.points) for mark in page.items if isinstance(mark, Area) and mark.ink == LIT]


def middle(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    return sum(x for x, _ in points) / len(points), sum(y for _, y in points) / len(points)


def scale_of(page: SheetPage) -> int:
    told = next(text for text in page.words if "when printed at full size" in text)
    return int(told.partition("1:")[2].split()[0])


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


def close_together() -> Rig:
    """Eight heads in pairs a hand's breadth apart, and names as long as they may be."""
    rig = rig_of(rig={"name": "w" * 32})
    first = rig.heads[0].model_dump(exclude_unset=True)
    heads = []
    for i in range(8):
        turn = 0.3 + math.pi / 2 * (i // 2)
        place = [2.4 * math.sin(turn) + 0.1 * (i % 2), -1.9 * math.cos(turn), 1.5 + 0.2 * (i // 2)]
        role = ("key", "fill")[i] if i < 2 else f"a-name-as-long-as-a-roles-may-{i}"
        own = {**first, "name": f"a-name-as-long-as-a-heads-may-{i}", "role": role, "position": place}
        if i > 1:
            own["holds_like"] = "hair"
        heads.append({**own, "drive": {"driver": "lamps", "universe": 1, "slot": 1 + i}})
    marks = {"w" * 32: [0.0, 0.0, 1.2], "another-mark-whose-name-is-long": [0.3, 0.2, 1.2]}
    return Rig.model_validate(
        {**rig.dump(), "heads": heads, "marks": marks, "subject": {}, "balance": {"exposure": 100.0}}
    )


def example(name: str) -> Any:
    return lambda: load_rig(EXAMPLES[name])


MAKES = {"usual": rig_of, "crowded": crowded, "close": close_together} | {n: example(n) for n in EXAMPLES}


@cache
def known(name: str) -> tuple[Rig, PlanReport]:
    rig = MAKES[name]()
    return rig, planned(rig)


@cache
def made(name: str, paper: Paper, feet: bool) -> tuple[SheetPage, ...]:
    rig, report = known(name)
    return lay_out(rig, report, report.marks[0], Lengths(feet), paper)


SHEETS = [(n, paper, feet) for n in MAKES for paper in ("a4", "letter") for feet in (False, True)]
SOME = [one for i, one in enumerate(SHEETS) if one[0] in ("crowded", "close") or i % 4 in (0, 3)]
"""Every rig on both papers, in metres on one and in feet on the other; the hard ones in all ways."""


@pytest.mark.parametrize(("name", "paper", "feet"), SOME)
def test_all_type_is_read_without_glasses_and_touches_nothing(name: str, paper: Paper, feet: bool) -> None:
    for page in made(name, paper, feet):
        written = [mark for mark in page.items if isinstance(mark, PageText)]
        assert min(mark.size_pt for mark in written) >= 8
        outlines = sorted((min(text_outline(mark))[0], mark.text, text_outline(mark)) for mark in written)
        for i, (_, text, one) in enumerate(outlines):
            assert all(0 < x < page.width_mm and 0 < y < page.height_mm for x, y in one), text
            right = max(x for x, _ in one)
            beside = [each for each in outlines[i + 1 :] if each[0] < right]
            assert [other for _, other, two in beside if overlap(one, two)] == [], text


@pytest.mark.parametrize(("name", "paper", "feet"), SOME)
def test_nothing_runs_off_the_paper_or_over_another_part(name: str, paper: Paper, feet: bool) -> None:
    first = made(name, paper, feet)[0]
    width, height = PAPERS[paper]
    written = [mark for mark in first.items if isinstance(mark, PageText)]
    table_top = next(mark.point[1] for mark in written if mark.text == "lit face")
    for mark in first.items:
        if isinstance(mark, PageText):
            continue
        assert all(8.5 <= x <= width - 8.5 and 8.5 <= y <= height - 8.5 for x, y in mark.points)
        if isinstance(mark, Area) or mark.ink == CHALK:
            assert min(y for _, y in mark.points) > table_top + 3


WORD_SPACE_MM = 0.32 * 8 * 25.4 / 72
"""An em of 8 points is 8/72 inch; the space of DejaVu Sans is 0.32 of it."""


@pytest.mark.parametrize(("name", "paper", "feet"), SOME)
def test_two_measures_are_not_read_as_one(name: str, paper: Paper, feet: bool) -> None:
    page = made(name, paper, feet)[0]
    measures = [
        mark for mark in page.items if isinstance(mark, PageText) and mark.backing and mark.ink == CHALK
    ]
    for i, one in enumerate(measures):
        around = text_outline(one, WORD_SPACE_MM)
        assert [two.text for two in measures[i + 1 :] if overlap(around, text_outline(two))] == [], one.text


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_distances_on_the_paper_are_those_of_the_set(paper: Paper) -> None:
    rig, _ = known("usual")
    page = made("usual", paper, False)[0]
    count, mm_per_m = len(rig.heads), 1000 / scale_of(page)
    above, aside = middles(page)[:count], middles(page)[count:]
    for i in range(count):
        for j in range(i):
            across = math.dist(rig.heads[i].position[:2], rig.heads[j].position[:2])
            assert math.dist(above[i], above[j]) == pytest.approx(across * mm_per_m, abs=0.6)
            rise = rig.heads[i].position[2] - rig.heads[j].position[2]
            assert aside[i][1] - aside[j][1] == pytest.approx(rise * mm_per_m, abs=0.6)


@pytest.mark.parametrize(("feet", "metres"), [(False, 1.0), (True, 0.9144)])
def test_the_ruler_is_as_long_as_it_says(feet: bool, metres: float) -> None:
    # 3 ft are 0.9144 m, exact by the agreement of 1959
    page = made("usual", "a4", feet)[0]
    end = next(mark for mark in page.items if isinstance(mark, PageText) and mark.text in ("1 m", "3 ft"))
    foot = (end.point[0], end.point[1] - 2)
    strokes = [mark.points for mark in page.items if isinstance(mark, Stroke)]
    rulers = [points for points in strokes if len(points) == 2 and points[1] == foot]
    assert [math.dist(*points) for points in rulers] == [pytest.approx(1000 * metres / scale_of(page))]


def test_the_camera_is_at_the_bottom_and_its_right_to_the_right() -> None:
    rig = rig_of(camera={"position": [0.4, -2.2, 1.3], "iso": 400, "shutter": "1/50", "aperture": 4.0})
    page = sheet(rig)[0]
    key, fill, *_ = middles(page)
    camera, *_ = (middle(m.points) for m in page.items if isinstance(m, Area) and m.ink == GRAPHITE)
    assert rig.head("key").position[0] > 0 > rig.head("fill").position[0]
    assert fill[0] < camera[0] < key[0]
    assert camera[1] < min(key[1], fill[1])
    straight = SetViews(rig, plan_rig(rig, wander=False).marks[0]).camera_in_plan
    assert straight == pytest.approx((0.0, -math.hypot(0.4, 2.2)))


def test_no_word_lies_on_a_head_the_camera_the_subject_or_a_mark() -> None:
    for page in (made("close", "a4", False)[0], made("crowded", "letter", True)[0]):
        things = [mark.points for mark in page.items if isinstance(mark, Area)]
        things += [mark.points for mark in page.items if isinstance(mark, Stroke) and is_cross(mark)]
        beside = [mark for mark in page.items if isinstance(mark, PageText) and mark.backing]
        assert [mark.text for mark in beside if any(overlap(text_outline(mark), one) for one in things)] == []


def is_cross(stroke: Stroke) -> bool:
    """Whether it is one of the two strokes of a cross that stands for a mark."""
    (x, y), (to_x, to_y) = stroke.points[0], stroke.points[-1]
    return abs(to_x - x) == pytest.approx(2.0) == abs(to_y - y)


def test_every_head_has_its_letter_in_both_views_and_its_row() -> None:
    rig = crowded()
    pages = made("crowded", "a4", False)
    for letter, head in zip(letters(len(rig.heads)), rig.heads, strict=True):
        drawn = [m for m in pages[0].items if isinstance(m, PageText) and m.text == letter and m.backing]
        assert len(drawn) == 2, letter
        assert head.name in words_of(*pages).replace("- ", "-")


def test_type_is_as_wide_as_it_is_drawn() -> None:
    # matplotlib's own layout of the same font is the reference
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    for bold in (False, True):
        face = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal", size=8)
        for text in (
            "Ratio 2.8:1 wanted, (2 ±2 stops) held",
            "wwwWWWmmm",
            "6′ 5½″",
            "f/2.8+0.3",
            "36 %",
        ):
            points, _, _ = text_to_path.get_text_width_height_descent(text, face, False)
            assert text_width_mm(text, 8, bold=bold) == pytest.approx(points * 25.4 / 72, rel=0.02, abs=0.3)


def test_a_text_is_broken_where_it_may_be() -> None:
    for width in (12.0, 30.0, 60.0):
        text = "the-longest-name-that-a-head-ha-1 shines on the lens, and a-word-" + "w" * 30
        lines = wrap_text(text, width)
        assert max(map(text_width_mm, lines)) <= width
        assert "".join(lines).replace(" ", "") == text.replace(" ", "")


@pytest.mark.parametrize(
    ("other", "apart_mm", "touch"),
    [
        ([(2, 0), (4, 0), (4, 2), (2, 2)], 0.0, False),
        ([(1.9, 0), (4, 0), (4, 2), (1.9, 2)], 0.0, True),
        ([(2.3, 0), (4, 0), (4, 2), (2.3, 2)], 0.4, True),
        ([(1.6, 1.6), (3, 3), (1.6, 3)], 0.0, True),
        ([(3.2, 1.0), (3.2, 3.2), (1.0, 3.2)], 0.0, False),
        ([(0.5, 0.5), (1, 0.5), (1, 1)], 0.0, True),
    ],
)
def test_figures_that_touch_are_told_from_those_that_do_not(
    other: list[tuple[float, float]], apart_mm: float, touch: bool
) -> None:
    square = [(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0)]
    assert overlap(square, other, apart_mm) is touch
    assert overlap(other, square, apart_mm) is touch


def test_camera_right_above_the_subject_is_drawn_all_the_same() -> None:
    rig = rig_of(camera={"position": [0.0, 0.0, 2.6], "iso": 400, "shutter": "1/50", "aperture": 4.0})
    assert len(middles(sheet(rig)[0])) == 2 * len(rig.heads)


def test_the_first_page_is_what_the_set_is_built_from() -> None:
    rig, report = known("usual")
    first, second = made("usual", "a4", False)
    flat = words_of(first)
    for standing in report.marks[0].standings:
        assert f"{standing.floor_m:.2f} m" in flat
        assert f"{standing.height_m:.2f} m" in flat
        assert f"{abs(standing.side_deg):.0f}°" in flat
        assert f"{standing.up_deg:.0f}°" in flat
    assert "LED 40 W" in flat
    for head in report.marks[0].balance.heads:
        assert head.name in flat
        assert f"{100 * head.level:.0f} %" in flat
    for needed in ("ceiling 2.50 m", "Balance", "Where heads point", "Found in planning", "page 1 of 2"):
        assert needed in flat
    lists, told = checklists(rig), words_of(second)
    for text in (*report.cautions, *report.camera, *lists.before, *lists.during, *lists.after):
        assert text in told
        assert text not in flat
    for needed in ("How to read page 1", "Taken for granted", "Notes", "shutter 1/50", "page 2 of 2"):
        assert needed in told


def test_feet_all_over() -> None:
    page = made("usual", "letter", True)[0]
    measures = [mark.text for mark in page.items if isinstance(mark, PageText) and mark.ink != "#22211f"]
    assert not [text for text in measures if text.endswith(" m")]
    assert [text for text in measures if "′" in text]


def test_svg_is_well_formed_and_says_what_it_says() -> None:
    pages = made("usual", "a4", False)
    drawn = render(pages, "svg", "a sheet")
    assert len(drawn) == len(pages) == 2
    for svg, needed in zip(drawn, ("From above", "To mind"), strict=True):
        root = ET.fromstring(svg)
        width = float(root.attrib["width"].removesuffix("pt"))
        assert width * 25.4 / 72 == pytest.approx(297.0, abs=0.1)
        assert root.attrib["viewBox"].split()[2] == str(width), "so that a px of its type is a point"
        nodes = list(root.iter("{http://www.w3.org/2000/svg}text"))
        assert needed in " ".join("".join(node.itertext()) for node in nodes)
        sizes = [float(size) for node in nodes for size in re.findall(r"([\d.]+)px", node.attrib["style"])]
        assert len(sizes) == len(nodes)
        assert min(sizes) >= 8
    assert render(pages, "svg", "a sheet") == drawn


@pytest.mark.skipif(
    shutil.which("pdftotext") is None and not os.environ.get("FILLSIDE_REQUIRE_PARTS"),
    reason="pdftotext (poppler-utils) is not installed",
)
def test_pdf_is_two_pages_of_its_size(tmp_path: Path) -> None:
    # poppler reads what is drawn
    file = tmp_path / "sheet.pdf"
    (drawn,) = render(made("usual", "letter", False), "pdf", "a sheet")
    file.write_bytes(drawn)
    told = subprocess.run(["pdfinfo", file], capture_output=True, text=True, check=True, timeout=30).stdout
    assert "Pages:           2" in told
    assert "792 x 612" in told.replace(".0", "").replace("791.999", "792")
    words = subprocess.run(
        ["pdftotext", "-layout", file, "-"], capture_output=True, text=True, check=True, timeout=30
    ).stdout
    assert "From the side" in words
    assert "Each head alone" in words


def test_letters_go_on_after_z() -> None:
    assert letters(28)[25:] == ["Z", "AA", "AB"]


@pytest.mark.parametrize("lux", [20.0, 150.0, 500.0, 1000.0, 3333.0])
def test_meter_words_are_read_back_to_a_twentieth_of_a_stop(lux: float) -> None:
    words = f_stop_text(lux, 250.0, 400.0, 1 / 50)
    assert words is not None
    again = f_stop_reading(f"{words}@400@1/50").lux(250.0)
    assert abs(math.log2(again / lux)) <= 0.0501


def test_strokes_are_in_millimetres() -> None:
    page = SheetPage(20, 20)
    page.stroke([(1, 1), (2, 2)])
    assert page.items == [Stroke(((1, 1), (2, 2)))]
