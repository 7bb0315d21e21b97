"""`new`, `plan` and `sheet` as they are typed: from nothing to a printed sheet, and what is refused."""

from __future__ import annotations

import io
import json
import re
import shlex
import sys
from pathlib import Path

import pytest

from fillside.cli.group import run
from manual_text import PAGES


def status(*args: str) -> int:
    with pytest.raises(SystemExit) as stopped:
        run(list(args))
    return int(stopped.value.code or 0)


@pytest.fixture
def rig(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    file = str(tmp_path / "studio.toml")
    usual = ("hair=yes", "background=yes", "glasses=yes", "key.modifier=reflective")
    answers = [part for answer in usual for part in ("--answer", answer)]
    assert status("new", file, "--usual", *answers) == 0
    assert "fillside check" in capsys.readouterr().out.partition("Next:")[2]
    return file


def test_from_questions_to_a_sheet(
    rig: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert status("check", rig) == 0
    assert "warnings" not in capsys.readouterr().out
    assert status("plan", rig) == 0
    assert "taken for granted" in capsys.readouterr().out.splitlines()[-1]
    assert status("plan", rig, "--all") == 0
    told = capsys.readouterr().out
    marks = ["ratios at", "exposures at", "cheek, fill side", "softness:", "eyes:", "glasses:", "wall:"]
    whole = ["flicker:", "colour:", "lamps:", "power:", "circuit socket", "taken for granted:", "cautions:"]
    assert [part for part in marks + whole if part not in told] == []
    assert status("sheet", rig) == 0
    assert (tmp_path / "studio-sheet.pdf").read_bytes().startswith(b"%PDF")


def test_check_says_as_the_plan_does_that_two_lamps_do_not_match(
    rig: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Full CTB is what brings tungsten of 3200 K to daylight of 5600 K (common practice, no source)."""
    text = Path(rig).read_text(encoding="utf-8")
    before, fill, after = text.partition('name = "fill"')
    assert "cct = 5600" in before
    assert "cct = 5600" in after
    Path(rig).write_text(before + fill + after.replace("cct = 5600", "cct = 3200", 1), encoding="utf-8")
    assert status("check", rig, "--json") == 0
    (warned,) = json.loads(capsys.readouterr().out)["warnings"]
    assert warned["key"] == "heads.fill.lamp.cct"
    assert warned["says"].startswith("3200 K beside key of 5600 K; full CTB, about -134 mired,")
    assert status("check", rig) == 0
    assert "3200 K beside key of 5600 K" in capsys.readouterr().out
    assert status("plan", rig, "--json", "--mark", "middle") == 0
    colours = json.loads(capsys.readouterr().out)["colour"]
    (said,) = [one["do"] for one in colours if one["source"] == "fill"]
    assert said == f"fill: {warned['says'].partition('; ')[2]}"


def test_everything_prints_json_too(rig: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert status("plan", rig, "--json", "--mark", "middle") == 0
    report = json.loads(capsys.readouterr().out)
    assert report["marks"][0]["mark"] == "middle"
    assert len(report["marks"][0]["wander"]["places"]) == 81
    to = tmp_path / "a.svg"
    assert status("sheet", rig, "--to", str(to), "--json") == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["written"], said["pages"]) == (str(to), 2)
    assert said["files"] == [str(to), str(tmp_path / "a-page-2.svg")]
    assert "From above" in to.read_text("utf-8")
    assert "To mind" in (tmp_path / "a-page-2.svg").read_text("utf-8")
    assert status("new", str(tmp_path / "b.toml"), "--usual", "--json") == 0
    assert json.loads(capsys.readouterr().out)["next"][0].startswith("fillside check")


def test_map_and_feet(rig: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert status("plan", rig, "--map", "--feet") == 0
    told = capsys.readouterr().out
    assert "the camera below" in told
    assert "′" in told
    assert " m off" not in told


def test_umbrella_as_set_up(rig: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = Path(rig).read_text("utf-8").replace("[plan]", "[plan]\numbrellas = { key = { bulb = 0.3 } }")
    Path(rig).write_text(text, "utf-8")
    assert status("plan", rig) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "as even as a disc of" in told
    assert "from the crown" in told


def test_a_file_that_is_there_is_not_written_over(rig: str, capsys: pytest.CaptureFixture[str]) -> None:
    before = Path(rig).read_text("utf-8")
    assert status("new", rig, "--usual") == 2
    assert "--over" in capsys.readouterr().err
    assert Path(rig).read_text("utf-8") == before
    assert status("new", rig, "--usual", "--over") == 0
    assert Path(rig).read_text("utf-8") != before


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["sheet", "RIG", "--to", "sheet.doc"], ".pdf or .svg"),
        (["sheet", "RIG", "--mark", "moon"], "its marks: middle"),
        (["plan", "RIG", "--mark", "moon"], "its marks: middle"),
        (["plan", "nowhere.toml"], "no such file"),
        (["new", "x.toml", "--usual", "--answer", "moon=1"], "no question"),
    ],
)
def test_wrong_use_is_one_line(
    rig: str, args: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status(*(rig if arg == "RIG" else arg for arg in args)) == 2
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1


class Keyboard(io.StringIO):
    """Lines typed one after the other, each shown on the screen as it is typed."""

    def __init__(self, lines: str, screen: io.StringIO) -> None:
        super().__init__(lines)
        self.screen = screen

    def readline(self, *size: int) -> str:  # type: ignore[override]
        line = super().readline(*size)
        self.screen.write(line)
        return line


def at_a_terminal(monkeypatch: pytest.MonkeyPatch, lines: str, *args: str) -> tuple[int, str]:
    """The exit status, and the screen with what was typed."""
    screen = io.StringIO()
    monkeypatch.setattr(sys, "stdin", Keyboard(lines, screen))
    for stream in ("stdout", "stderr"):
        monkeypatch.setattr(sys, stream, screen)
    return status("new", *args), "\n".join(line.rstrip() for line in screen.getvalue().splitlines())


def test_the_manual_shows_what_is_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = PAGES["first-rig"].partition("$ fillside new studio.toml\n")[2].partition("\n```")[0]
    typed = re.findall(r"^\S.* \[[^\]]*\]:(?: (.*))?$", shown, re.MULTILINE)
    monkeypatch.chdir(tmp_path)
    done, screen = at_a_terminal(monkeypatch, "".join(f"{line}\n" for line in typed), "studio.toml")
    assert done == 0
    assert screen == shown


def test_who_leaves_halfway_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done, screen = at_a_terminal(monkeypatch, "studio\nsit\n2.4 m\n", str(tmp_path / "a.toml"))
    assert done == 130
    assert screen.endswith("Nothing is written.")
    assert list(tmp_path.iterdir()) == []


def test_an_answer_beforehand_that_cannot_be_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "a.toml"
    done, screen = at_a_terminal(monkeypatch, "\n" * 30, str(file), "--answer", "stands=perhaps")
    assert done == 0
    assert "--answer: stands: 'perhaps' is neither stand nor sit" in screen


def test_what_cannot_be_written_is_said_before_the_first_question(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status("new", str(tmp_path)) == 2
    assert status("new", str(tmp_path / "no" / "a.toml")) == 2
    said = capsys.readouterr()
    assert "is a folder" in said.err
    assert "there is no folder" in said.err
    assert "Name of the studio" not in said.err


def test_the_end_says_how_a_wire_is_rehearsed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert status("new", str(tmp_path / "a.toml"), "--usual", "--answer", "driver=network") == 0
    assert 'change the word after kind in [drivers.lamps] to "sim"' in capsys.readouterr().out


def test_feet_from_the_first_question(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "a.toml"
    _, screen = at_a_terminal(monkeypatch, "\n" * 30, str(file), "--feet")
    assert "Camera to face [8′ 0″]:" in screen
    assert "high" in file.read_text("utf-8")
    assert "# 5′ 0″ from the face" in file.read_text("utf-8")
    following = [line.split("  ")[1] for line in screen.splitlines() if line.startswith("  fillside ")]
    assert [line.endswith(" --feet") for line in following] == [True, False, True, True]
    printed = io.StringIO()
    monkeypatch.setattr(sys, "stdout", printed)
    assert status(*shlex.split(following[0])[1:]) == 0
    assert "5′ 0″" in printed.getvalue()
