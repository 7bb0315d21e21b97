"""Journey: the commands in the README's blocks run as they are printed, in their order, in one folder."""

from __future__ import annotations

import os
import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from journeys.forking import run
from journeys.running import Daemon, running

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text("utf-8")
BLOCKS = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
LINES = [line for block in BLOCKS for line in block.splitlines() if line.startswith("fillside ")]
LONG = ("run", "demo", "keys")
"""Commands that go on until stopped; other journeys run them."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the example rigs, as in a checkout."""
    path = tmp_path_factory.mktemp("readme")
    shutil.copytree(ROOT / "config", path / "config")
    return path


@pytest.fixture(scope="module")
def daemon(folder: Path) -> Iterator[Daemon]:
    rig = folder / "desk.toml"
    text = (ROOT / "config" / "desk.toml").read_text("utf-8")
    rig.write_text(text.replace('"127.0.0.1"', '"127.0.0.1:9"'))  # port 9, discard: RFC 863
    with running(rig, folder / "data") as up:
        yield up


def test_there_are_commands() -> None:
    assert len(LINES) > 20


def test_the_commands_do_as_printed(daemon: Daemon, folder: Path) -> None:
    """One test, for what a command leaves is what later ones go on from."""
    for line in LINES:
        does_as_printed(line, daemon, folder)


def does_as_printed(line: str, daemon: Daemon, folder: Path) -> None:
    words = shlex.split(line, comments=True)[1:]
    words, into = (words[:-2], words[-1]) if words[-2:-1] == [">"] else (words, None)
    if words[0] in LONG:
        words = [words[0], "--help"]
    environ = {**os.environ, "FILLSIDE_URL": daemon.url, "XDG_STATE_HOME": str(folder)}
    # Whoever asks gets what stands in brackets.
    done = run(*words, typed="\n" * 60, environ=environ, cwd=folder)
    assert done.returncode == 0, f"{line}: {done.stderr}"
    assert done.stdout, line
    if into is not None:
        (folder / into).write_text(done.stdout)


def test_the_order_by_curl(daemon: Daemon) -> None:
    line = next(line for block in BLOCKS for line in block.splitlines() if line.startswith("curl "))
    words = shlex.split(line.replace("http://127.0.0.1:7420", daemon.url))
    headers = dict(words[i + 1].split(": ") for i, word in enumerate(words) if word == "-H")
    body = words[words.index("-d") + 1]
    import urllib.request

    request = urllib.request.Request(words[-1], body.encode("utf-8"), headers, method="POST")
    with urllib.request.urlopen(request, timeout=60) as response:
        assert response.status == 200
