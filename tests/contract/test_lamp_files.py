"""Contract: photometric files named in a rig file are found beside it, counted in, doubted, or refused."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from fillside.balance.prediction import predict
from fillside.balance.solution import solve_rig
from fillside.metering.simulated_meter import truth_of
from fillside.photometry.source import facing_lux
from fillside.rig.checks.report import check_rig
from fillside.rig.file.build import apply_change
from fillside.rig.file.referenced_files import ReferencedFileError
from fillside.rig.problems import RigError
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig, load_rig_text
from fillside_drivers.registry import kinds
from fillside_drivers.sim.truth import direct_lux, unit
from rigs import head_at, sim, studio, toml

SPOT = """IES:LM-63-2019
[TEST] made up
TILT=NONE
2 1000 1 5 1 1 2 -0.3 0 0
1 1 40
0 10 20 30 90
0
3000 2000 500 100 0
"""
"""Two lamps of 1000 lm, 3000 cd on the axis, through an opening of 0.3 m."""

WALL = {"driver": "wall", "universe": 1}
RIG = toml(
    studio(
        "loft",
        camera={"position": [0.0, -2.5, 1.2]},
        marks={"stool": [0.0, 0.0, 1.2]},
        balance={"exposure": 300},
        heads=[
            head_at(
                "key",
                [-1.0, -1.0, 1.9],
                modifier={"kind": "reflector", "photometry": "lamps/spot.ies"},
                drive={**WALL, "slot": 1},
            ),
            head_at("fill", [1.3, -1.2, 1.6], intensity=900, drive={**WALL, "slot": 3}),
        ],
        drivers=sim("wall"),
    )
)
PHOTOMETRY_LINE = (
    RIG.splitlines().index('modifier = { kind = "reflector", photometry = "lamps/spot.ies" }') + 1
)


def read(*changes: tuple[str, str], files: dict[str, str] | None = None) -> Rig:
    text = RIG
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    known = {"lamps/spot.ies": SPOT} if files is None else files

    def of(name: str) -> bytes:
        if name not in known:
            raise ReferencedFileError("there is no such file")
        return known[name].encode("latin-1")

    return load_rig_text(text, kinds=kinds(), read=of)


def refusal(*changes: tuple[str, str], files: dict[str, str] | None = None) -> RigError:
    with pytest.raises(RigError) as caught:
        read(*changes, files=files)
    return caught.value


def test_files_are_found_beside_the_rig_file(tmp_path: Path) -> None:
    (tmp_path / "lamps").mkdir()
    (tmp_path / "lamps" / "spot.ies").write_text(SPOT)
    (tmp_path / "loft.toml").write_text(RIG)
    rig = load_rig(tmp_path / "loft.toml")
    assert rig.head("key").intensity_cd == 3000
    # Nothing of the file is needed any more.
    (tmp_path / "lamps" / "spot.ies").unlink()
    changed = apply_change(rig, {"balance.ratio": "3:1"})
    assert changed.head("key").intensity_cd == 3000
    with pytest.raises(RigError, match=r"photometry: lamps/spot\.ies: there is no such file"):
        load_rig(tmp_path / "loft.toml")


def test_the_opening_is_the_diameter_unless_the_rig_file_says_one() -> None:
    assert read().head("key").modifier.diameter == 0.3
    stated = read(("photometry =", "diameter = 0.8, photometry ="))
    assert stated.head("key").modifier.diameter == 0.8


@pytest.mark.parametrize(
    ("lamp", "candela"),
    [
        ("", 3000),
        ("lamp = { count = 2 }", 6000),
        ("lamp = { lumens = 500 }", 750),
        ("lamp = { lumens = 500, count = 3 }", 2250),
        ("intensity = 1234", 1234),
    ],
)
def test_the_files_light_is_for_its_own_lamps(lamp: str, candela: float) -> None:
    rig = read(("modifier = {", f"{lamp}\nmodifier = {{"))
    assert rig.head("key").intensity_cd == pytest.approx(candela)


def test_a_lamps_own_file_is_dimmed_by_the_modifier() -> None:
    put = 'lamp = { photometry = "lamps/spot.ies" }\nmodifier = { kind = "softbox", loss = 1.0 }'
    rig = read(('modifier = { kind = "reflector", photometry = "lamps/spot.ies" }', put))
    assert rig.head("key").intensity_cd == 1500


def test_light_falls_off_the_axis_as_the_file_says() -> None:
    # Of a point, 20 degrees off the axis 500 of 3000 cd: E = I / d^2, 30 lx at 10 m on the axis.
    rig = read(
        ("position = [-1.0, -1.0, 1.9]", "position = [0.0, -10.0, 1.2]"),
        ("photometry =", "diameter = 0.0, photometry ="),
    )
    sources = scene(rig).sources.take([0])
    away = 10 * math.tan(math.radians(20))
    on, off = facing_lux(sources, [0, 0, 1.2])[0], facing_lux(sources, [away, 0, 1.2])[0]
    assert on == pytest.approx(30)
    assert off == pytest.approx(5 * math.cos(math.radians(20)) ** 2)


def test_it_is_the_light_that_is_balanced() -> None:
    report = solve_rig(read()).report
    assert report.achieved.ratio == pytest.approx(2.0, rel=0.01)
    assert report.achieved.exposure_lux == pytest.approx(300, rel=0.02)


@pytest.mark.parametrize("at", [(0.0, 0.0, 1.2), (0.25, 0.1, 1.3), (-0.4, -0.3, 1.0)])
def test_the_simulated_room_agrees(at: tuple[float, float, float]) -> None:
    # The simulation has physics of its own and sums over 1152 elements, a few of which lie beside a bend.
    rig = read()
    head = truth_of(rig).heads[0]
    toward = unit([h - p for h, p in zip(head.position, at, strict=True)])
    assert predict(rig, at).heads[0].lux == pytest.approx(direct_lux(head, "flat", at, toward), rel=1e-3)


def warned(rig: Rig) -> str:
    return "\n".join(w.says for w in check_rig(rig).warnings if "photometry" in w.key)


def test_check_says_where_the_light_is_from() -> None:
    found = check_rig(read())
    assert [head.intensity_from for head in found.heads] == ["photometric file", "the file"]
    assert warned(read()) == ""


@pytest.mark.parametrize(
    ("file", "lamp", "says"),
    [
        # scipy's quadrature of 2 pi I sin a over the four straight pieces of the intensity: 931.2 lm.
        (SPOT.replace("2 1000 1", "2 50 1"), "", "add up to 931 lm, more than the 100 lm of its lamps"),
        (SPOT.replace("0 10 20 30 90", "0 10 20 170 180"), "", "leaves backward"),
        (
            SPOT.replace("5 1 1 2", "5 2 1 2").replace(
                "0\n3000 2000 500 100 0", "0 90\n3000 3000 500 100 0\n3000 1500 500 100 0"
            ),
            "",
            "differs by up to 0.6 stop round the axis",
        ),
        (SPOT.replace("2 1000 1", "1 -1 1"), "lamp = { lumens = 3000 }\n", "lamp.lumens is not; they differ"),
    ],
)
def test_check_doubts_a_file_that_contradicts_itself(file: str, lamp: str, says: str) -> None:
    rig = read(("modifier = {", f"{lamp}modifier = {{"), files={"lamps/spot.ies": file})
    assert says in warned(rig)


def test_check_compares_with_the_lumens_a_file_states() -> None:
    table = "{ angles = [0, 90], candela = [100, 0], said_lumens = 500 }"
    rig = read(('"lamps/spot.ies"', table))
    # 100 cd falling straight to 0 at a right angle: 2 pi - 4 lm a candela, 228 lm.
    assert "add up to 228 lm, but it states 500 lm" in warned(rig)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ((("spot.ies", "spot.txt"),), "spot.txt: there is no such file"),
        ((("photometry =", "spread = 1.0, photometry ="),), "leave spread out"),
        ((("photometry =", "efficiency = 0.5, photometry ="),), "leave efficiency out"),
        (
            (("modifier = {", 'lamp = { photometry = "lamps/spot.ies" }\nmodifier = {'),),
            "give photometry of the lamp or of the modifier, not both",
        ),
        ((('"lamps/spot.ies"', "{ angles = [0, 90], candela = [100] }"),), "at least 2 must be"),
        ((('"lamps/spot.ies"', "{ angles = [5, 90], candela = [100, 0] }"),), "angles must start at 0"),
        ((('"lamps/spot.ies"', "{ angles = [0, 90], candela = [0, 10] }"),), "it must be at least 0.001"),
        ((('"lamps/spot.ies"', "7"),), "a photometric file beside the rig file"),
    ],
)
def test_a_bad_use_is_refused(changes: tuple[tuple[str, str], ...], says: str) -> None:
    error = refusal(*changes)
    assert says in str(error)
    assert error.line is not None
    assert "\n" not in str(error)


def test_text_alone_cannot_bring_a_file() -> None:
    with pytest.raises(RigError, match="was not read"):
        load_rig_text(RIG, kinds=kinds())


@pytest.mark.parametrize(
    ("file", "says"),
    [
        ("", "no line begins with TILT="),
        ("TILT=NONE", "line 1: the file ends here, but the number of lamps should follow"),
        (
            SPOT.replace("2 1000 1 5", "2 1000 1 six"),
            "line 4: the count of vertical angles must be a number, not 'six'",
        ),
        (
            SPOT.replace("5 1 1 2", "5 1 3 2"),
            "line 4: photometric type 3 is type A; only type C (1) can be read",
        ),
        (SPOT.replace("TILT=NONE", "TILT=other.tlt"), "line 3: TILT='OTHER.TLT' sends to another file"),
        (SPOT.replace("0 10 20 30 90", "0 10 10 30 90"), "line 6: vertical angles must rise; 10 follows 10"),
        (SPOT.replace("0 10 20 30 90", "90 100 110 120 180"), "line 6: vertical angles start at 90"),
        (SPOT.replace("500 100 0", "500 -1 0"), "line 8: a luminous intensity cannot be -1"),
        (SPOT.replace("500 100 0", "500 nan 0"), "line 8: a luminous intensity must be a number, not 'nan'"),
        (SPOT.replace(" 100 0", ""), "line 8: the file ends here, but a luminous intensity should follow"),
        (SPOT.replace("3000 2000", "0 2000"), "there is no light at vertical angle 0"),
        (SPOT.replace("3000 2000", "1e-320 2000"), "there is no light at vertical angle 0"),
        (SPOT.replace("2 1000 1", "2 0 1"), "line 4: the lumens of a lamp are above 0, or -1"),
        (
            SPOT.replace("5 1 1 2", "5 2 1 2").replace("\n0\n", "\n0 120\n") + "3000 1 1 1 1\n",
            "the planes go from 0 to 120 degrees; they must cover 90, 180 or 360",
        ),
    ],
)
def test_a_bad_file_is_told_with_its_line(file: str, says: str) -> None:
    error = refusal(files={"lamps/spot.ies": file})
    assert says in str(error)
    assert (error.key, error.line) == ("heads.key.modifier.photometry", PHOTOMETRY_LINE)
    assert "lamps/spot.ies: " in str(error)


def test_a_bad_eulumdat_file_is_told_with_its_line() -> None:
    names = ('"lamps/spot.ies"', '"spot.LDT"')
    assert "line 3: the symmetry (0 to 4) must be a number, not 'what'" in str(
        refusal(names, files={"spot.LDT": "Nobody\n1\nwhat\n"})
    )
    assert "the file ends here" in str(refusal(names, files={"spot.LDT": "Nobody\n1\n"}))
