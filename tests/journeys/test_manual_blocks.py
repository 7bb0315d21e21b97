"""Journey: the commands in the README's and the manual's blocks run as printed, a page in a folder."""

from __future__ import annotations

import os
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from journeys.forking import run
from journeys.running import Daemon, running
from manual_text import PAGES, ROOT, TEXTS, blocks

CURL = "curl -s -H "
OF_PAGE = {
    name: [
        line for block in blocks(text, "sh") for line in block.splitlines() if line.startswith("fillside ")
    ]
    for name, text in TEXTS.items()
}
"""The commands that a page shows, in their order."""
LONG = ("run", "demo", "keys")
"""Commands that go on until stopped; other journeys run them."""


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    folder = tmp_path_factory.mktemp("daemon")
    rig = folder / "desk.toml"
    text = (ROOT / "config" / "desk.toml").read_text("utf-8")
    rig.write_text(text.replace('"127.0.0.1"', '"127.0.0.1:9"'))  # port 9, discard: RFC 863
    with running(rig, folder / "data") as up:
        yield up


def test_there_are_commands() -> None:
    assert len(OF_PAGE["README"]) >= 8
    assert sum(map(len, OF_PAGE.values())) > 50


@pytest.mark.parametrize("page", [name for name, lines in OF_PAGE.items() if lines])
def test_the_commands_do_as_printed(daemon: Daemon, tmp_path: Path, page: str) -> None:
    """A page in a folder with the example rigs; later commands go on from what earlier ones leave."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    for line in OF_PAGE[page]:
        does_as_printed(line, daemon, tmp_path)


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
    (line,) = (block.strip() for block in blocks(PAGES["http"], "sh") if block.startswith(CURL))
    words = shlex.split(line.replace("http://127.0.0.1:7420", daemon.url))
    headers = dict(words[i + 1].split(": ") for i, word in enumerate(words) if word == "-H")
    body = words[words.index("-d") + 1]
    import urllib.request

    request = urllib.request.Request(words[-1], body.encode("utf-8"), headers, method="POST")
    with urllib.request.urlopen(request, timeout=60) as response:
        assert response.status == 200
