"""Contract: what is no plain file, or too large a one, is refused at once wherever a file is named."""

from __future__ import annotations

import errno
import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from fillside import rig_file
from fillside.access.tokens import TokenFile, TokenFileError
from fillside.cli.files import calibration_of, sheet_text
from fillside.cli.group import WrongUse, run
from fillside.doors.http.listening import ListenError, tls_of
from fillside.rig.file.referenced_files import ReferencedFileError
from fillside.rig.problems import RigError
from fillside.rig_file import load_keys, load_rig
from fillside_drivers import plain_files
from fillside_drivers.mqtt.broker import BrokerError, secret, tls_context
from fillside_drivers.mqtt.broker_options import BrokerOptions
from fillside_drivers.plain_files import NotPlainError, plain_bytes, write_plain

CONFIG = Path(__file__).parents[2] / "config"
KINDS = ("pipe", "folder", "device", "socket", "loop")


@pytest.fixture
def odd(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Path]:
    """A path of the kind that the parameter names."""
    path = tmp_path / "odd"
    with socket.socket(socket.AF_UNIX) as listener:
        match request.param:
            case "pipe":
                os.mkfifo(path)
            case "folder":
                path.mkdir()
            case "device":
                path = Path("/dev/zero")
            case "socket":
                listener.bind(str(path))
            case _:
                path.symlink_to(path)
        yield path


def _named_in_a_rig(path: Path, folder: Path, old: str, new: str) -> Callable[[], object]:
    """Loads a rig that names the path, by a link with the ending that is wanted."""
    link = folder / ("odd.ies" if "photometry" in new else "odd.gdtf")
    if not link.is_symlink():
        link.symlink_to(path)
    text = (CONFIG / "desk.toml").read_text("utf-8")
    assert old in text
    rig = folder / "rig.toml"
    rig.write_text(text.replace(old, new.format(link.name), 1), "utf-8")
    return lambda: load_rig(rig)


def _reads(path: Path, folder: Path) -> dict[str, tuple[Callable[[], object], type[Exception]]]:
    """Everything that reads a file by a name that a person gave."""
    return {
        "rig file": (lambda: load_rig(path), RigError),
        "photometry": (
            _named_in_a_rig(path, folder, "cct = 5600, watts = 36", 'photometry = "{}"'),
            RigError,
        ),
        "description": (
            _named_in_a_rig(path, folder, "slot = 1, bits = 16", 'slot = 1, gdtf = "{}"'),
            RigError,
        ),
        "keys file": (lambda: load_keys(path), RigError),
        "readings": (lambda: sheet_text(path), WrongUse),
        "calibration": (lambda: calibration_of(path), WrongUse),
        "certificate": (lambda: tls_of(path, path), ListenError),
        "password": (lambda: secret(f"file:{path}", "password_from"), BrokerError),
        "authority": (
            lambda: tls_context(BrokerOptions(broker="b", tls=True, ca_file=str(path))),
            BrokerError,
        ),
        "tokens": (lambda: TokenFile(path).lasting(), TokenFileError),
    }


@pytest.mark.parametrize("odd", KINDS, indirect=True)
def test_nobody_waits_for_what_is_no_plain_file(odd: Path, tmp_path: Path) -> None:
    for what, (read, refused) in _reads(odd, tmp_path).items():
        with pytest.raises(refused) as caught:
            read()
        said = str(caught.value)
        assert "not a plain file" in said or "round in a circle" in said, what
        assert len(said.splitlines()) == 1


def test_a_file_that_is_too_large_is_refused_before_it_is_read(tmp_path: Path) -> None:
    huge = tmp_path / "huge"
    with huge.open("wb") as file:
        file.truncate(2**40)
    for read, refused in _reads(huge, tmp_path).values():
        with pytest.raises(refused, match=r"is larger than [0-9]+ MiB"):
            read()


def test_a_file_that_changes_while_it_is_read_is_not_taken_by_halves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(b"x" * 100)
    read = os.read

    def and_written(handle: int, most: int) -> bytes:
        content = read(handle, most)
        with path.open("ab") as file:
            file.write(b"y")
        return content

    with monkeypatch.context() as patched:
        patched.setattr(plain_files.os, "read", and_written)
        with pytest.raises(NotPlainError, match=r"larger|changed while it was read"):
            plain_bytes(path, 1000)
    assert plain_bytes(path, 2000).startswith(b"x" * 100)


def test_the_files_of_a_rig_are_bounded_together_and_each_is_read_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rig_file, "LARGEST_REFERENCED_TOTAL_BYTES", 3 * plain_files.MIB)
    for name in ("a", "b"):
        (tmp_path / name).write_bytes(bytes(2 * plain_files.MIB))
    neighbours = rig_file._ReferencedFiles(tmp_path)
    assert neighbours.read("a") is neighbours.read("a")
    with pytest.raises(ReferencedFileError, match="larger than 3 MiB together"):
        neighbours.read("b")


def test_a_pipe_is_not_written_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name, args in (
        ("x.toml", ["new", "x.toml", "--usual", "--over"]),
        ("x.pdf", ["sheet", str(CONFIG / "desk.toml"), "--to", "x.pdf"]),
        ("x.png", ["fit", str(CONFIG / "desk.toml"), str(CONFIG / "desk-readings.csv"), "--plot", "x.png"]),
    ):
        os.mkfifo(tmp_path / name)
        with pytest.raises(SystemExit) as ended:
            run([str(tmp_path / name) if arg == name else arg for arg in args])
        assert ended.value.code == 2
        assert "it is a pipe, not a plain file" in capsys.readouterr().err


def test_a_full_disk_leaves_what_stood_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "sheet.pdf"
    path.write_bytes(b"old")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_plain(path, b"new")
    assert [each.read_bytes() for each in tmp_path.iterdir()] == [b"old"]
