"""Contract: the command line's manners. Exit status 0 done, 1 failed, 2 wrong use; one line on stderr."""

from __future__ import annotations

import importlib
import json
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest

from fillside.cli import group
from fillside.cli.client import Daemon
from fillside.cli.group import fillside
from fillside.cli.parameters import place, stops
from fillside.cli.table import COMMANDS, HEADINGS
from journeys import forking
from rigs import CHAIR_AND_DESK, pair, sim, studio, toml

NOBODY = "http://127.0.0.1:9"
"""Port 9, discard (RFC 863): nothing listens there on a machine of today."""

RIG = toml(
    studio(
        marks=CHAIR_AND_DESK,
        heads=pair(
            key={"intensity": 3800},
            fill={"intensity": 2600, "dimming": {"floor": 0.05}},
            drive={"driver": "stage", "bits": 16},
        ),
        drivers=sim("stage"),
    )
)


def status(*args: str) -> object:
    """The exit status of a command that runs in this process."""
    with pytest.raises(SystemExit) as ended:
        group.run(list(args))
    return ended.value.code


@pytest.fixture
def rig(tmp_path: Path) -> str:
    path = tmp_path / "corner.toml"
    path.write_text(RIG)
    return str(path)


def run(*args: str, **environ: str) -> subprocess.CompletedProcess[str]:
    return forking.run(*args, environ={**os.environ, "FILLSIDE_URL": NOBODY, **environ})


def test_the_table_of_commands_is_what_the_code_has() -> None:
    for name, entry in COMMANDS.items():
        module, _, attribute = entry.where.partition(":")
        command = getattr(importlib.import_module(module), attribute)
        assert isinstance(command, click.Command), name
        assert command.name == name
        assert entry.heading in HEADINGS
        assert entry.does.endswith((".", "?"))


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_teaches_by_example(name: str) -> None:
    command = fillside.get_command(click.Context(fillside), name)  # type: ignore[attr-defined]
    assert command is not None
    commands = command.commands.values() if isinstance(command, click.Group) else [command]
    for each in commands:
        assert f"fillside {name}" in (each.epilog or "")
        options = {option for parameter in each.params for option in parameter.opts}
        assert "--json" in options or name in {"run", "schema", "completion"}


@pytest.mark.parametrize(
    ("args", "status", "says"),
    [
        (["trim", "fill", "-1"], 1, "no daemon answers"),
        (["trim", "fill", "-1/3"], 1, "no daemon answers"),
        (["trim", "fill", "--to", "-1"], 1, "no daemon answers"),
        (["expose", "-.5"], 1, "no daemon answers"),
        (["move", "-0.4", "0.2", "1.2"], 1, "no daemon answers"),
        (["move", "1", "2"], 2, "x y z"),
        (["move", "1", "2", "nan"], 2, '"nan" is not a number'),
        (["trim", "fill"], 2, "by how much"),
        (["trim", "fill", "-1", "--to", "0"], 2, "by how much"),
        (["trim", "fill", "-1/0"], 2, '"-1/0" is not a number of stops'),
        (["balance"], 2, "say what to change"),
        (["balance", "--relative", "hair"], 2, "hair=-0.5"),
        (["camera"], 2, "say what changed"),
        (["mvoe", "desk"], 2, "did you mean move?"),
        (["status", "--jsn"], 2, "--jsn"),
        (["status", "--url", "ftp://x"], 2, "not a URL"),
        (["status", "--url", "http://[::1"], 2, "not a URL"),
        (["status", "--token", "a b"], 2, "token"),
        (["solve", "no-such.toml"], 2, "no such file"),
        (["run", "no-such.toml"], 2, "no such file"),
        (["predict", "no-such.toml"], 2, "--at"),
    ],
)
def test_what_goes_wrong_is_one_line_and_a_status(args: list[str], status: int, says: str) -> None:
    done = run(*args)
    assert done.returncode == status
    assert says in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


def test_solve_prints_the_shape_that_is_promised(rig: str) -> None:
    done = run("solve", rig, "--subject", "-0.4,0.2,1.2", "--ratio", "3:1", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    report = json.loads(done.stdout)
    assert set(report) == {
        "subject",
        "target",
        "achieved",
        "face",
        "heads",
        "limits",
        "remedies",
        "uncertainty",
        "room_light",
    }
    assert set(report["face"]) == {"key_side_lux", "fill_side_lux", "ratio", "halves_ratio"}
    assert report["subject"] == [-0.4, 0.2, 1.2]
    assert report["target"]["ratio"] == 3.0
    assert {"name", "role", "output", "level", "wire", "lux", "at_limit"} <= set(report["heads"][0])


def test_an_unreachable_balance_is_no_failure(rig: str) -> None:
    done = run("solve", rig, "--ratio", "1000:1", "--json")
    assert done.returncode == 0
    assert json.loads(done.stdout)["limits"]


def test_predict_takes_levels_by_name(rig: str) -> None:
    done = run("predict", rig, "--at", "desk", "--levels", "key=1", "--json")
    assert done.returncode == 0
    heads = {head["name"]: head for head in json.loads(done.stdout)["heads"]}
    assert heads["key"]["level"] == 1.0
    assert heads["fill"]["lux"] == 0.0


@pytest.mark.parametrize("levels", ["key", "kee=1", "key=2", "key=-0.1", "key=nan", "key=1,key=1"])
def test_levels_that_cannot_be_are_refused(rig: str, levels: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert status("predict", rig, "--at", "desk", "--levels", levels) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize("where", ["sofa", "1,2", "1,2,inf", "0,0,9", "90,0,1", "1.1,-1.0,1.9"])
def test_places_where_nobody_can_be_are_refused(
    rig: str, where: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status("solve", rig, "--subject", where) == 2
    assert status("predict", rig, "--at", where) == 2
    assert capsys.readouterr().err.count("\n") == 2


def test_a_reader_that_leaves_makes_no_noise(rig: str) -> None:
    code = "from fillside.cli import main; main()"
    shell = f'"{sys.executable}" -c "{code}" schema | head -c 10; exit ${{PIPESTATUS[0]}}'
    done = subprocess.run(["bash", "-c", shell], capture_output=True, text=True, timeout=60, check=False)
    assert done.stderr == ""


def test_a_quick_verb_imports_no_heavy_library() -> None:
    code = (
        "import sys; from fillside.cli import group\n"
        "group.exit_status(['trim', 'fill', '-1'])\n"
        "print(sorted({'aiohttp', 'pydantic', 'numpy', 'asyncio'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, "FILLSIDE_URL": NOBODY},
    )
    assert done.stdout == "[]\n"


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_is_printed_for_each_shell(shell: str) -> None:
    done = run("completion", shell)
    assert done.returncode == 0
    assert "_FILLSIDE_COMPLETE" in done.stdout


def test_completion_completes_commands() -> None:
    done = run(_FILLSIDE_COMPLETE="bash_complete", COMP_WORDS="fillside fr", COMP_CWORD="1")
    assert done.stdout == "plain,freeze\n"


def test_stops_and_places_as_people_type_them() -> None:
    assert stops("\N{MINUS SIGN}1/2") == stops("-1/2") == -0.5
    assert stops("-1 1/2") == -1.5
    assert place(" -0.4, 0.2,1.2 ") == (-0.4, 0.2, 1.2)
    for wrong in ("", "--1", "1/", "/3", "1e3", "nan", "inf", "1/2/3"):
        with pytest.raises(ValueError, match="not a number of stops"):
            stops(wrong)


NINES = "9" * 400


@pytest.mark.parametrize(
    "args",
    [
        ["trim", "fill", NINES],
        ["trim", "fill", f"-{NINES}/3"],
        ["trim", "fill", f"1/{NINES}"],
        ["trim", "fill", f"1 {NINES}/{NINES}"],
        ["trim", "fill", "--to", NINES],
        ["expose", NINES],
        ["expose", "--to", NINES],
        ["move", "0", NINES, "0"],
        ["camera", "--iso", NINES],
        ["camera", "--nd", NINES],
        ["balance", "--relative", f"hair={NINES}"],
        ["only", "key", "--level", NINES],
        ["read", NINES],
        ["read", f"f/{NINES}@400@1/50"],
        ["read", "640", "--at", f"0,0,{NINES}"],
        ["readings", "--most", NINES],
        ["journal", "--most", "9" * 5000],
        ["calibrations", "use", NINES],
        ["demo", "--port", NINES],
        *(["demo", "--seconds", value] for value in ("nan", "inf", "1e9", NINES)),
        *(["watch", "--seconds", value] for value in ("nan", "inf", "-1", NINES)),
    ],
)
def test_a_number_beyond_counting_is_refused_in_a_short_line(
    args: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Daemon, "state", lambda _: {"camera": {}})
    monkeypatch.setattr(Daemon, "do", lambda _, order: pytest.fail(f"said {order}"))
    assert status(*args) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert len(said) < 200
    assert "fault" not in said


@pytest.mark.parametrize("args", [["trim", "key", "out"], ["expose", "camera"]])
def test_a_word_that_belongs_behind_to_is_told_so(
    args: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert status(*args) == 2
    assert f"write it --to {args[-1]}" in capsys.readouterr().err
