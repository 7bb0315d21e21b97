"""Contract: the check of a rig says what was understood, what is odd, what can hurt, and what to fix."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fillside.balance.solution import solve_rig
from fillside.cli.render.check import check_lines as in_words
from fillside.planning.figures import Lengths
from fillside.rig.checks.report import RigReport, check_rig
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig, load_rig_text
from fillside_drivers.registry import kinds
from rigs import head_at, sacn, studio, toml

EXAMPLES = sorted((Path(__file__).parents[2] / "config").glob("*.toml"))

WALL = {"driver": "wall", "universe": 1}
BASE = toml(
    studio(
        "loft",
        camera={"position": [0.0, -2.5, 1.2]},
        marks={"stool": [0.0, 0.0, 1.2]},
        balance={"exposure": 500, "relative": {"hair": -0.5}},
        heads=[
            head_at(
                "key",
                [-1.0, -1.0, 1.9],
                lamp={"lumens": 3000, "watts": 40, "count": 2},
                modifier={"kind": "softbox", "diameter": 0.8, "efficiency": 0.5, "max_watts": 100},
                drive={**WALL, "slot": 1},
            ),
            head_at("fill", [1.3, -1.2, 1.6], intensity=900, drive={**WALL, "slot": 3}),
            head_at("hair", [0.3, 1.2, 2.3], intensity=400, dimming={"curve": "fixed"}),
        ],
        drivers=sacn("wall"),
    )
)


def checked(*changes: tuple[str, str]) -> RigReport:
    text = BASE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return check_rig(load_rig_text(text, kinds=kinds()))


def warned(*changes: tuple[str, str]) -> dict[str, str]:
    return {warning.key: warning.says for warning in checked(*changes).warnings}


def test_a_plain_rig_has_nothing_odd() -> None:
    assert warned() == {}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_examples_hold_no_surprise(path: Path) -> None:
    rig = load_rig(path)
    assert check_rig(rig).warnings == ()
    report = solve_rig(rig).report
    assert report.limits == ()
    assert report.worst_error_stops < 0.02
    for head in report.heads:
        if head.role in ("key", "fill"):
            assert 0.1 < head.output < 0.7, f"{head.name} has little room to move"


def test_the_room_is_told_with_what_its_surfaces_send_back() -> None:
    """(2 x 7 x 3 x 0.5 + 12 x (0.8 + 0.2)) / (2 x (12 + 7 x 3)) = 33 / 66."""
    stated = "[room]\nsize = [3.0, 4.0, 3.0]\ntone = { walls = 0.5, ceiling = 0.8, floor = 0.2 }\n[balance]"
    check = checked(("[balance]", stated))
    assert check.room is not None
    assert (check.room.size, check.room.sends_back) == ((3.0, 4.0, 3.0), pytest.approx(0.5))
    assert "3.00 m × 4.00 m × 3.00 m, stated: its surfaces send back 50 % of the light" in "\n".join(
        in_words(check, Lengths())
    )
    assert checked().room is None


def test_what_was_understood_is_told_in_numbers() -> None:
    check = checked()
    key = check.heads[0]
    assert (key.distance_m, key.side_deg, key.up_deg) == (
        pytest.approx(1.578, abs=5e-4),
        pytest.approx(-45.0),
        pytest.approx(26.3, abs=0.05),
    )
    assert key.intensity_cd == pytest.approx(955, abs=0.5)  # 3000 lm of a matt face: 3000 / pi
    assert key.intensity_from == "lamp and modifier"
    assert (check.ratio, check.ratio_stops, check.exposure_target_lux) == (2.0, 1.0, 500.0)
    assert check.heads[1].full_scale == 255
    assert check.heads[2].driver is None


def test_the_camera_target_follows_iso_2720() -> None:
    """f/4, 1/50 s, ISO 400 with C = 250 is 500 lux: E = C N^2 / (t S), incident exposure (ISO 2720)."""
    check = checked(
        ("exposure = 500", 'exposure = "camera"'),
        ("1.2]\n[marks]", '1.2]\niso = 400\nshutter = "1/50"\naperture = 4.0\n[marks]'),
        ("[marks]", '[meter]\nreceptor = "flat"\n[marks]'),
    )
    assert check.exposure_target_lux == pytest.approx(500.0)


@pytest.mark.parametrize(
    ("old", "new", "key", "told"),
    [
        (
            "lamp = {",
            "intensity = 1360\nlamp = {",
            "heads.key.intensity",
            "1360 cd is 0.5 stop over the 955 cd",
        ),
        (
            "lamp = {",
            "intensity = 600\nlamp = {",
            "heads.key.intensity",
            "600 cd is 0.7 stop under the 955 cd",
        ),
        ("efficiency = 0.5, ", "", "heads.key.modifier", "0.5 to 2 stops are usual"),
        ("hair = -0.5", "hair = -0.5, rim = 0", "balance.relative.rim", "no head has the role rim"),
        (
            "hair = -0.5",
            "",
            "balance.relative",
            "nothing is said of hair; it is held at +0.0 stops against the key",
        ),
        ('role = "fill"', 'role = "key"', "heads", "no head is fill"),
        ("[marks]", "[meter]\nconstant = 250\n[marks]", "meter.constant", "C of a dome is 320 to 540"),
        (
            "lamp = {",
            'lamp = { kind = "cfl", dimmable = true,',
            "heads.key.dimming.floor",
            "no floor is given",
        ),
        (
            "lamp = {",
            'dimming = { floor = 0.1 }\nlamp = { kind = "tube",',
            "heads.key.lamp",
            "say dimmable = true",
        ),
        ("[drivers.wall]", '[drivers.spare]\nkind = "sim"\n[drivers.wall]', "drivers.spare", "no head is on"),
        ("[1.3, -1.2, 1.6]", "[13.0, -12.0, 1.6]", "heads.fill.position", "18 m from the first mark"),
        ("[1.3, -1.2, 1.6]", "[1.3, -1.2, -0.2]", "heads.fill.position", "0.20 m under the floor"),
        ("[1.3, -1.2, 1.6]", "[-1.0, -1.0, 1.9]", "heads.fill.position", "the same place as key"),
        (
            "intensity = 900",
            "intensity = 900\naim = [3.0, -3.0, 1.6]",
            "heads.fill.aim",
            "behind its lit face",
        ),
        (
            "[balance]",
            "[subject]\nmost_lux = 300\n[balance]",
            "subject.most_lux",
            "exposure asks for 500 lx",
        ),
        (
            "[balance]",
            "[room]\nsize = [2.0, 5.0, 2.5]\n[balance]",
            "room.size",
            "2.00 m from side to side, but heads, marks and camera reach 2.30 m",
        ),
        ("[balance]", "[ambient]\nlux = 200\n[balance]", "ambient", "400 lx of the room leave little"),
        ("exposure = 500", "exposure = 1", "camera", "ask for 1 lx"),
    ],
)
def test_what_is_odd_is_warned_of_once_with_its_key(old: str, new: str, key: str, told: str) -> None:
    warnings = warned((old, new))
    assert list(warnings) == [key]
    assert told in warnings[key]


def test_half_a_stop_between_stated_and_promised_is_no_warning() -> None:
    assert warned(("lamp = {", "intensity = 1340\nlamp = {")) == {}  # 955 cd x 2^0.489
    assert warned(("lamp = {", "intensity = 680\nlamp = {")) == {}  # 955 cd / 2^0.490


def test_a_compact_lamp_with_a_floor_and_its_marking_is_no_warning() -> None:
    lamp = ("lamp = {", 'dimming = { floor = 0.1 }\nlamp = { kind = "cfl", dimmable = true,')
    assert warned(lamp) == {}


def test_the_camera_is_told_to_keep_its_hands_off() -> None:
    text = " ".join(check_rig(load_rig(EXAMPLES[0])).camera)
    for word in ("Exposure on manual", "ISO 800", "1/50", "f/2.8", "White balance", "Contrast aids off"):
        assert word in text
    assert "as the rig file says" not in " ".join(checked().camera)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_text_and_json_say_the_same(path: Path) -> None:
    check = check_rig(load_rig(path))
    text = " ".join("\n".join(in_words(check, Lengths())).split())
    said = json.loads(check.model_dump_json())
    assert RigReport.model_validate(said) == check
    for sentence in (*said["cautions"], *said["camera"]):
        assert " ".join(sentence.split()) in text
    for head in said["heads"]:
        assert f"{head['name']} {head['role']} {head['distance_m']:.2f} m" in text
    assert max(map(len, in_words(check, Lengths()))) < 140


LEGAL: list[tuple[str, list[dict[str, Any]]]] = [
    ("no key", [{"role": "fill"}]),
    ("no fill", [{"role": "key"}]),
    ("neither key nor fill", [{"role": "hair"}, {"role": "work"}]),
    ("several keys", [{"role": "key"}, {"role": "key"}, {"role": "key"}]),
    ("a role of its own", [{"role": "rim", "holds_like": "hair"}]),
    ("two backgrounds", [{"role": "background", "aim": [0, 3, 1]}, {"role": "background", "aim": [1, 3, 1]}]),
]


@pytest.mark.parametrize(("heads"), [heads for _, heads in LEGAL], ids=[name for name, _ in LEGAL])
def test_what_is_unusual_but_legal_is_taken_checked_and_solved(heads: list[dict[str, Any]]) -> None:
    made = [
        {
            "name": f"h{i}",
            "position": [1.0 + i, -1.0, 2.0],
            "intensity": 500,
            "dimming": {"curve": "fixed"},
            **head,
        }
        for i, head in enumerate(heads)
    ]
    rig = Rig.model_validate(
        {
            "rig": {"name": "odd"},
            "camera": {"position": [0, -2, 1]},
            "marks": {"here": [0, 0, 1]},
            "balance": {"exposure": 300, "relative": {"kicker": 1.0}},
            "heads": made,
        }
    )
    assert "balance.relative.kicker" in [warning.key for warning in check_rig(rig).warnings]
    assert in_words(check_rig(rig), Lengths())
    assert solve_rig(rig).report.achieved.exposure_lux >= 0
