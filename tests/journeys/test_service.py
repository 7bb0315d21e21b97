"""Journey: the daemon as a service: what the manager hears (sd_notify(3)), TLS, and logs for machines."""

from __future__ import annotations

import json
import shutil
import signal
import socket
import ssl
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
import trustme

from fillside.doors.http.address import ListenError
from fillside.doors.http.connections import FILES_WANTED
from fillside.doors.http.tls import tls_of
from journeys.forking import run
from journeys.running import running

ROOT = Path(__file__).resolve().parents[2]
UNIT = ROOT / "config" / "fillside.service"


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.settimeout(10)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        yield listening


def heard_until(manager: socket.socket, word: str) -> list[str]:
    """All lines up to the datagram that begins with `word`."""
    lines: list[str] = []
    while True:
        told = manager.recv(4096).decode("utf-8").split("\n")
        lines += told
        if told[0] == word:
            return lines


def silence_follows(manager: socket.socket, most: int = 20) -> bool:
    """Whether nothing more comes within the socket's time, after what was still on its way."""
    for _ in range(most):
        try:
            manager.recv(4096)
        except TimeoutError:
            return True
    return False


def test_ready_alive_reloading_and_stopping_are_told(
    rig: Path, tmp_path: Path, manager: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "2000000")
    with running(rig, tmp_path / "data") as daemon:
        told = heard_until(manager, "READY=1")
        assert any(line.startswith("STATUS=corner: follow") for line in told)
        daemon.settled()
        pings = [heard_until(manager, "WATCHDOG=1") for _ in range(3)]
        assert all("READY=1" not in lines for lines in pings)
        daemon.process.send_signal(signal.SIGHUP)
        told = heard_until(manager, "READY=1")
        assert told.index("RELOADING=1") < told.index("READY=1")
        assert any(line.startswith("MONOTONIC_USEC=") for line in told)
        rig.write_text("broken")
        daemon.process.send_signal(signal.SIGHUP)
        told = heard_until(manager, "READY=1")
        assert any(line.startswith("STATUS=") and "is not taken" in line for line in told)
        assert daemon.stop() == 0
        heard_until(manager, "STOPPING=1")
        assert daemon.said.count(b"mind with the lamps of corner") == 1, "not again at a reload"
        said = [daemon.said.index(part) for part in (b"corner is held", b"mind with", b"taken anew")]
        assert said == sorted(said)
        assert b"\n  - Electrical load: " in daemon.said


def test_a_hold_that_is_stopped_is_not_called_alive(
    rig: Path, tmp_path: Path, manager: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "400000")
    with running(rig, tmp_path / "data") as daemon:
        heard_until(manager, "WATCHDOG=1")
        daemon.process.send_signal(signal.SIGSTOP)
        time.sleep(0.1)
        manager.settimeout(0.6)
        assert silence_follows(manager)
        daemon.process.send_signal(signal.SIGCONT)


def test_messages_are_objects_for_machines(rig: Path, tmp_path: Path) -> None:
    with running(rig, tmp_path / "data", "--log", "json") as daemon:
        daemon.settled()
        rig.write_text("broken")
        daemon.process.send_signal(signal.SIGHUP)
        deadline = time.monotonic() + 60
        while not daemon.get("/api/v1/state")["notes"]:
            assert time.monotonic() < deadline
            time.sleep(0.05)
        assert daemon.stop() == 0
        said = daemon.said.decode("utf-8")
    lines = [json.loads(line) for line in said.splitlines()]
    assert all({"at", "level", "from", "message"} <= set(line) for line in lines)
    assert [line["level"] for line in lines if "is not taken" in line["message"]] == ["error"]


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture
def certificate(authority: trustme.CA, tmp_path: Path) -> list[str]:
    """The options for a certificate of loopback's names, and its key."""
    issue(authority, tmp_path)
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    return ["--certificate", str(tmp_path / "studio.pem"), "--key", str(tmp_path / "studio.key")]


def issue(authority: trustme.CA, folder: Path) -> None:
    issued = authority.issue_cert("127.0.0.1", "localhost")
    issued.private_key_pem.write_to_path(folder / "studio.key")
    (folder / "studio.pem").write_bytes(b"".join(blob.bytes() for blob in issued.cert_chain_pems))


def client(*words: str) -> subprocess.CompletedProcess[str]:
    return run(*words)


def test_tls_by_certificate_files(rig: Path, tmp_path: Path, certificate: list[str]) -> None:
    with running(rig, tmp_path / "data", *certificate) as daemon:
        assert daemon.url.startswith("https://127.0.0.1:")
        with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
            daemon.get("/health")
        ca = ["--url", daemon.url, "--ca", str(tmp_path / "ca.pem")]
        done = client("trim", "fill", "-1", *ca, "--json")
        assert done.returncode == 0, done.stderr
        assert json.loads(done.stdout)["state"]["trims"] == {"fill": -1.0}
        done = client("watch", "--seconds", "1", *ca)
        assert done.returncode == 0, done.stderr
        assert "2.0:1" in done.stdout or "ratio" in done.stdout
        refused = client("status", "--url", daemon.url)
        assert refused.returncode == 1
        assert "--ca" in refused.stderr
        plain = client("status", "--url", daemon.url.replace("https", "http"))
        assert plain.returncode == 1
        assert len(plain.stderr.splitlines()) == 1


def test_a_renewed_certificate_is_taken_at_a_reload(
    rig: Path, tmp_path: Path, certificate: list[str], authority: trustme.CA
) -> None:
    with running(rig, tmp_path / "data", *certificate) as daemon:
        before = ssl.get_server_certificate(("127.0.0.1", daemon.port))
        issue(authority, tmp_path)
        daemon.process.send_signal(signal.SIGHUP)
        deadline = time.monotonic() + 60
        while ssl.get_server_certificate(("127.0.0.1", daemon.port)) == before:
            assert time.monotonic() < deadline
            time.sleep(0.1)
        now = ssl.get_server_certificate(("127.0.0.1", daemon.port))
        (tmp_path / "studio.pem").write_text("broken")
        daemon.process.send_signal(signal.SIGHUP)
        daemon.until_said("the certificate stays as it was")
        assert ssl.get_server_certificate(("127.0.0.1", daemon.port)) == now
        assert daemon.stop() == 0


@pytest.mark.parametrize(
    ("files", "says"),
    [
        (["studio.pem", None], "go together"),
        (["nothing.pem", "studio.key"], "nothing.pem: cannot be read"),
        (["ca.pem", "studio.key"], "no certificate and its key"),
        (["studio.key", "studio.pem"], "no certificate and its key"),
    ],
)
def test_certificates_that_are_none_are_refused_in_one_line(
    tmp_path: Path, certificate: list[str], files: list[str | None], says: str
) -> None:
    first, second = (None if name is None else tmp_path / name for name in files)
    with pytest.raises(ListenError, match=says) as refused:
        tls_of(first, second)
    assert "\n" not in str(refused.value)


def test_a_wrong_certificate_stops_the_start(rig: Path, tmp_path: Path) -> None:
    done = client("run", str(rig), "--listen", "127.0.0.1:0", "--certificate", str(rig), "--key", str(rig))
    assert done.returncode == 2
    assert "no certificate and its key" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def directives() -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in UNIT.read_text("utf-8").splitlines():
        name, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            found.setdefault(name, []).append(value)
    return found


def test_the_unit_runs_what_there_is_and_waits_for_its_word() -> None:
    unit = directives()
    assert unit["Type"] == ["notify"]
    assert unit["ExecReload"] == ["/bin/kill -HUP $MAINPID"]
    assert int(unit["WatchdogSec"][0]) >= 5
    words = unit["ExecStart"][0].split()
    assert words[1] == "run"
    done = client("run", "--help")
    for word in words:
        if word.startswith("--"):
            assert word in done.stdout, word


def test_the_unit_allows_the_files_that_are_wanted_and_never_gives_up() -> None:
    unit = directives()
    assert int(unit["LimitNOFILE"][0]) >= FILES_WANTED
    assert unit["StartLimitIntervalSec"] == ["0"]
    assert unit["Restart"] == ["always"]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not here")
def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    """systemd-analyze(1): `verify` reports unknown directives, `security` rates exposure from 0 to 10."""
    unit = tmp_path / "fillside.service"
    # The program is not installed at its place here, which is all that verify may find.
    unit.write_text(UNIT.read_text("utf-8").replace("/opt/fillside/bin/fillside", "/bin/true"))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit)], capture_output=True, text=True, check=False
    )
    told = [line for line in done.stderr.splitlines() if "fillside.service" in line]
    assert told == []
    rated = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", "--threshold=20", str(unit)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert rated.returncode == 0, rated.stdout[-600:]
