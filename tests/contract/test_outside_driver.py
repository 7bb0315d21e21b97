"""Contract: a driver that is an outside package, made of the very lines of the documentation, works.

The package is installed as any installer does it, files and metadata into one folder, and is seen only by
processes that are started with that folder on their path.
"""

from __future__ import annotations

import json
import re
import socket
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from fillside_drivers.registry import GROUP
from journeys.running import command, running
from manual_text import PAGES
from rigs import CAMERA, dimming, pair, studio, toml

PAGE = PAGES["drivers"]
MOST_LINES = 60


def written(file: str) -> str:
    """What the documentation shows as the content of a file."""
    found = re.search(rf"<!-- file: {re.escape(file)} -->\n```\w+\n(.*?)```", PAGE, re.DOTALL)
    assert found is not None, file
    return found[1]


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder in which the package is installed."""
    folder = tmp_path / "site"
    project = tomllib.loads(written("pyproject.toml"))["project"]
    metadata = folder / f"fillside_lines-{project['version']}.dist-info"
    metadata.mkdir(parents=True)
    (folder / "fillside_lines.py").write_text(written("fillside_lines.py"), "utf-8")
    points = project["entry-points"][GROUP].items()
    lines = [f"[{GROUP}]", *(f"{name} = {place}" for name, place in points)]
    (metadata / "entry_points.txt").write_text("\n".join(lines) + "\n", "utf-8")
    head = f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n"
    (metadata / "METADATA").write_text(head, "utf-8")
    monkeypatch.setenv("PYTHONPATH", str(folder))
    return folder


@pytest.fixture
def receiver() -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as made:
        made.bind(("127.0.0.1", 0))
        made.settimeout(60.0)
        yield made


def rig(folder: Path, port: int, fill: str = "right") -> Path:
    """A rig with the documentation's driver table, on another port, and with its drive."""
    shown = tomllib.loads(written("rig"))
    table, drive = shown["drivers"]["desk"], shown["heads"][0]["drive"]
    rig = studio(
        camera={"position": CAMERA["position"]},
        balance={"exposure": 400},
        hold={"order_speed": 6.0},
        heads=pair(
            key={"drive": {"called": drive["called"]}},
            fill={"position": [-1.3, -1.0, 1.9], "drive": {"called": fill}},
            intensity=2500,
            dimming=dimming(0.03),
            drive={"driver": drive["driver"]},
        ),
        drivers={drive["driver"]: {"kind": table["kind"], "port": port}},
    )
    path = folder / "corner.toml"
    path.write_text(toml(rig), "utf-8")
    return path


def test_it_takes_fewer_than_sixty_lines() -> None:
    lines = [*written("fillside_lines.py").splitlines(), *written("pyproject.toml").splitlines()]
    assert len([line for line in lines if line.strip()]) < MOST_LINES


def test_the_registry_finds_it_beside_the_built_in_kinds(package: Path) -> None:
    ask = "from fillside_drivers.registry import kinds; print(*sorted(kinds()))"
    found = subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True, check=True).stdout
    assert {"lines", "sacn", "sim", "mqtt", "dmx-serial"} <= set(found.split())


def test_a_rig_with_it_is_held(package: Path, receiver: socket.socket, tmp_path: Path) -> None:
    path = rig(tmp_path, receiver.getsockname()[1])
    with running(path, tmp_path / "data", anew=True) as daemon:
        state = daemon.settled()
        wanted = {head["name"]: head["wire"][0] for head in state["heads"]}
        heard: dict[str, int] = {}
        while heard != {"left": wanted["key"], "right": wanted["fill"]}:
            said = receiver.recv(2048).decode()
            assert re.fullmatch(r"(\w+ \d{1,3}\n)+", said)
            heard = {name: int(code) for name, code in (line.split() for line in said.splitlines())}
        assert state["drivers"]["desk"]["state"] == "ok"
        assert daemon.stop() == 0
    assert b"Traceback" not in daemon.said


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ('called = "left" }\n[drivers', "overlaps with head key on desk (called = left)"),
        ('port = "x"', "drivers.desk.port"),
        ("hots = 1\nport = 9001", "did you mean"),
    ],
)
def test_its_tables_are_checked_like_any_other(package: Path, tmp_path: Path, wrong: str, says: str) -> None:
    path = rig(tmp_path, 9001, fill="left" if "called" in wrong else "right")
    if "called" not in wrong:
        path.write_text(path.read_text().replace("port = 9001", wrong))
    done = subprocess.run(command("check", str(path)), capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert says in done.stderr
    assert done.stderr.count("\n") == 1


def test_without_the_package_its_kind_is_not_known(tmp_path: Path) -> None:
    done = subprocess.run(
        command("check", str(rig(tmp_path, 9001))), capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert 'there is no kind "lines"' in done.stderr


def test_the_rig_s_schema_knows_it(package: Path) -> None:
    done = subprocess.run(command("schema"), capture_output=True, text=True, check=True)
    assert "LinesDrive" in done.stdout or '"lines"' in done.stdout
    json.loads(done.stdout)
