"""Contract: one install brings what the code imports; what is missing is told by a command that works here.

And the lock: every dependency is in it, for every Python that is tested, at a version inside its range.
"""

from __future__ import annotations

import re
import shlex
import sys
import tomllib
from itertools import product
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import fillside
import fillside_drivers
from contract.test_command_line import status
from fillside.cli import group
from fillside.cli.commands import access
from fillside.doors.keys.device import DeviceError, library
from fillside.sheet.drawing.page import SheetPage
from fillside.sheet.drawing.render import render
from fillside_drivers import plain_errors
from manual_text import PAGES, README, ROOT, TEXTS, blocks

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
PLAIN = [Requirement(text) for text in PROJECT["dependencies"]]
EXTRAS = {name: [Requirement(text) for text in own] for name, own in PROJECT["optional-dependencies"].items()}
TESTED = [line.rpartition(" ")[2] for line in PROJECT["classifiers"] if "Python :: 3." in line]
HOUSES = [Path(house.__file__).parent for house in (fillside, fillside_drivers)]
SOURCES = [path.read_text("utf-8") for house in HOUSES for path in house.rglob("*.py")]
IMPORT = re.compile(r"(?m)^ *(?:import (\w+)|from (\w+)[\w.]* import )")


def _imported() -> set[str]:
    """What the code imports from outside, at whatever depth."""
    found = {first or second for text in SOURCES for first, second in IMPORT.findall(text)}
    return found - set(sys.stdlib_module_names) - {"fillside", "fillside_drivers"}


def test_what_is_imported_is_installed_and_nothing_else() -> None:
    names = {"evdev": "evdev-binary", **group.PACKAGE_OF}
    packages = {canonicalize_name(names.get(module, module)) for module in _imported()}
    # pydantic names the one version of its other half that suits it.
    assert packages - {"pydantic-core"} == {canonicalize_name(one.name) for one in PLAIN}


MACHINES = product(TESTED, ("x86_64", "aarch64", "armv7l", "riscv64"), ("cpython", "pypy"))


def test_input_devices_come_as_a_wheel_or_by_the_extra() -> None:
    """On every Linux by one of the two: never both, and by the extra alone where there is no wheel."""
    (plain,) = (one.marker for one in PLAIN if one.name == "evdev-binary")
    (extra,) = (one.marker for one in EXTRAS["keys"])
    assert plain is not None
    assert extra is not None
    for python, machine, made in MACHINES:
        here = {"sys_platform": "linux", "python_version": python, "platform_machine": machine}
        here |= {"implementation_name": made, "extra": ""}
        assert plain.evaluate(here) is (machine == "x86_64" and made == "cpython")
        assert extra.evaluate(here) is not plain.evaluate(here)


@pytest.mark.parametrize(("ours", "first"), [(True, []), (False, ["sudo"])])
def test_the_command_is_of_the_interpreter_that_runs(
    monkeypatch: pytest.MonkeyPatch, ours: bool, first: list[str]
) -> None:
    monkeypatch.setattr(plain_errors.os, "access", lambda *_: ours)
    monkeypatch.setattr(sys, "executable", "/a place/bin/python3")
    said = plain_errors.package_missing("pyserial")
    assert said.startswith("the package pyserial is not installed; this installs it: ")
    command = shlex.split(said.partition("this installs it: ")[2])
    assert command == [*first, "/a place/bin/python3", "-m", "pip", "install", "pyserial"]


def test_what_draws_and_is_missing_is_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    monkeypatch.setattr(group.fillside, "main", lambda *_, **__: render(SheetPage(10, 10), "svg", "empty"))
    assert status("sheet", "rig.toml") == 1
    said = capsys.readouterr().err
    assert said == f"fillside: {plain_errors.package_missing('matplotlib')}\n"


def test_a_code_that_cannot_be_drawn_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "segno", None)
    (line,) = access._qr_code("http://192.0.2.7:7420/#token=once-x")
    assert plain_errors.package_missing("segno") in line


@pytest.mark.parametrize(
    ("machine", "package", "more"), [("x86_64", "evdev-binary", ""), ("aarch64", "evdev", "C compiler")]
)
def test_input_devices_that_cannot_be_read_are_one_line(
    monkeypatch: pytest.MonkeyPatch, machine: str, package: str, more: str
) -> None:
    monkeypatch.setitem(sys.modules, "evdev", None)
    monkeypatch.setattr("platform.machine", lambda: machine)
    with pytest.raises(DeviceError) as refused:
        library()
    assert plain_errors.package_missing(package) in str(refused.value)
    assert more in str(refused.value)


def test_nobody_is_sent_to_an_index_for_our_own_name() -> None:
    for text in [*SOURCES, *TEXTS.values()]:
        assert not re.search(r"pip install[^\n&]*fillside", text)


def test_the_extras_that_are_named_are_there_and_the_pythons_are_tested() -> None:
    named = {name for text in TEXTS.values() for name in re.findall(r"'\.\[([a-z,]+)\]'", text)}
    assert named == set(EXTRAS)
    pythons = f"Python {', '.join(TESTED[:-1])} and {TESTED[-1]} are tested"
    assert pythons in README
    assert PROJECT["requires-python"] == f">={TESTED[0]}"


def test_the_readme_says_how_to_call_it_before_it_does() -> None:
    shown = blocks(README, "sh")
    first = next(i for i, block in enumerate(shown) if block.startswith("fillside "))
    assert any(". .venv/bin/activate\n" in block for block in shown[:first])
    service = next(block for block in blocks(PAGES["service"], "sh") if "/opt/fillside" in block)
    assert "ln -s /opt/fillside/bin/fillside /usr/local/bin/" in service


def _locked() -> list[tuple[Requirement, list[str]]]:
    """Every version of the lock, and its checksums."""
    found: list[tuple[Requirement, list[str]]] = []
    for line in (ROOT / "config" / "requirements.txt").read_text("utf-8").splitlines():
        text = line.removesuffix("\\").strip()
        if text.startswith("--hash="):
            found[-1][1].append(text)
        elif not text.startswith("#"):
            found.append((Requirement(text), []))
    return found


@pytest.mark.parametrize("python", TESTED)
@pytest.mark.parametrize("machine", ["x86_64", "aarch64"])
def test_every_dependency_is_locked_inside_its_range(python: str, machine: str) -> None:
    here = {"sys_platform": "linux", "python_version": python, "python_full_version": f"{python}.0"}
    here |= {"platform_machine": machine, "implementation_name": "cpython", "extra": ""}
    locked = [(one, sums) for one, sums in _locked() if one.marker is None or one.marker.evaluate(here)]
    assert all(sums for _, sums in locked)
    names = [canonicalize_name(one.name) for one, _ in locked]
    assert len(set(names)) == len(names)
    versions = {name: str(one.specifier) for name, (one, _) in zip(names, locked, strict=True)}
    assert all(re.fullmatch(r"==[\w.]+", version) for version in versions.values())
    for wanted in PLAIN:
        if wanted.marker is None or wanted.marker.evaluate(here):
            assert wanted.specifier.contains(versions[wanted.name].removeprefix("==")), wanted
