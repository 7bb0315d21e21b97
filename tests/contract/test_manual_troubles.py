"""Contract: what the manual says of a start that is refused, and of the words of `/health`, is so."""

from __future__ import annotations

import ast
import re
import sqlite3
import sys
from collections.abc import Awaitable, Callable
from contextlib import closing
from pathlib import Path
from typing import Any, get_args

import pytest
import trustme

from contract.test_command_line import status
from contract.test_manual import table
from fillside.cli import group
from fillside.daemon.composition import Settings, daemon
from fillside.doors.http.listening import Listen, ListenError, Public, bind, tls_of
from fillside.doors.http.payloads import HealthPayload
from fillside.doors.listener import DoorError
from fillside.rig.problems import RigError
from fillside.rig_file import load_rig, load_rig_text
from fillside.runtime import readiness
from fillside.storage import errors
from fillside.storage.errors import StorageError
from fillside.storage.folder import LockedFolder
from fillside.storage.store import FILE, Store
from fillside.storage.writer import NO_ANSWER
from fillside_drivers.driver import DriverError, State
from fillside_drivers.registry import kinds
from protocol.studio import RIG
from rigs import Table, head_at, toml

ELSEWHERE = "192.0.2.1"
"""RFC 5737: no machine has it."""
Refuse = Callable[[Path], Awaitable[object] | object]


async def start(folder: Path, more: str = "", listen: Listen | None = None) -> None:
    """A daemon of the small studio with some tables more; it is to be refused."""
    rig = load_rig_text(RIG + more, kinds=kinds())
    async with daemon(rig, Settings(folder / "kept", folder / "tokens.json", listen or Listen(port=0))):
        raise AssertionError("it started")


def wire(kind: str, place: Table, **keys: Any) -> str:
    """One head more, on a wire of its own."""
    rim = head_at("rim", [0.5, 1.5, 2.0], role="hair", intensity=900, drive={"driver": "more", **place})
    return toml({"heads": [rim], "drivers": {"more": {"kind": kind, **keys}}})


def sacn(**keys: Any) -> str:
    return wire("sacn", {"universe": 1, "slot": 1}, listen=False, **keys)


def serial() -> str:
    return wire("dmx-serial", {"slot": 1}, device="/nonexistent/adapter")


def mqtt(**keys: Any) -> str:
    return wire("mqtt", {"send_to": "a/set"}, broker="127.0.0.1", **keys)


def taken(folder: Path) -> None:
    with bind(Listen(port=0)) as bound:
        bind(Listen(port=bound.getsockname()[1]))


async def held(folder: Path) -> None:
    with LockedFolder(folder / "kept"):
        await start(folder)


async def newer(folder: Path) -> None:
    Store.open(folder / "kept").close()
    with closing(sqlite3.connect(folder / "kept" / FILE)) as connection:
        connection.execute("PRAGMA user_version = 999")
    await start(folder)


def misspelt(folder: Path) -> None:
    (folder / "studio.toml").write_text(RIG.replace("iso", "isso"))
    load_rig(folder / "studio.toml")


def no_port_below_1024(folder: Path) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("socket.socket.bind", lambda *_: (_ for _ in ()).throw(PermissionError(13, "denied")))
        bind(Listen(port=80))


def two_authorities(folder: Path) -> None:
    issued = trustme.CA().issue_cert("127.0.0.1")
    issued.cert_chain_pems[0].write_to_path(folder / "studio.pem")
    trustme.CA().issue_cert("127.0.0.1").private_key_pem.write_to_path(folder / "studio.key")
    tls_of(folder / "studio.pem", folder / "studio.key")


async def no_serial(folder: Path) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, "serial", None)
        patch.delitem(sys.modules, "fillside_drivers.dmx_serial.driver", raising=False)
        await start(folder, serial())


REFUSED: dict[str, Refuse] = {
    "…: there is no such file": lambda folder: load_rig(folder / "studio.toml"),
    "….toml:…: …": misspelt,
    "… is not an address such as 127.0.0.1:7420": lambda _: Listen.parse("7420"),
    "… is not an address such as https://light.example": lambda _: Public.parse("light.example"),
    "cannot listen on …: something else listens there": taken,
    "cannot listen on …: this machine has no such address": lambda _: bind(Listen(ELSEWHERE)),
    "cannot listen on …: this user may not": no_port_below_1024,
    "…, and there is no token in …": lambda folder: start(folder, listen=Listen("0.0.0.0", 0)),
    "--certificate and --key go together": lambda folder: tls_of(folder, None),
    "…: cannot be read: …": lambda folder: tls_of(folder / "studio.pem", folder / "studio.key"),
    "… and … are no certificate and its key without a password, both PEM": two_authorities,
    "… is held by another Fillside daemon": held,
    "… was written by a newer Fillside": newer,
    "doors.osc: cannot listen on …": lambda folder: start(
        folder, f'\n[doors.osc]\nlisten = "{ELSEWHERE}:9000"\nallow = ["192.0.2.0/24"]\n'
    ),
    "doors.mqtt: …": lambda folder: start(
        folder, '\n[doors.mqtt]\nbroker = "127.0.0.1"\nuser_from = "env:FILLSIDE_NO_SUCH_VARIABLE"\n'
    ),
    "driver …: the host … cannot be found": lambda folder: start(folder, sacn(to=["studio.invalid"])),
    "driver …: cannot send from interface …": lambda folder: start(folder, sacn(interface=ELSEWHERE)),
    "driver …: … cannot be opened: …": lambda folder: start(folder, serial()),
    "driver …: … names the variable …, which is not set": lambda folder: start(
        folder, mqtt(user_from="env:FILLSIDE_NO_SUCH_VARIABLE")
    ),
    "driver …: … names the file …, which cannot be read": lambda folder: start(
        folder, mqtt(user_from=f"file:{folder}/name")
    ),
    "driver …: a certificate file cannot be used": lambda folder: start(
        folder, mqtt(tls=True, ca_file=f"{folder}/ca.pem")
    ),
    "a driver of kind … cannot start: the package … is not installed": no_serial,
}
FAULT = "a fault in Fillside itself: …"


def pattern(row: str) -> re.Pattern[str]:
    return re.compile(".+?".join(re.escape(part) for part in row.split("…")))


def test_every_refusal_of_the_table_is_tried() -> None:
    assert [row[0] for row in table("troubles", "refusals")] == [*REFUSED, FAULT]
    assert all(row[1] for row in table("troubles", "refusals"))


async def tried(refuse: Refuse, folder: Path) -> None:
    trying = refuse(folder)
    if isinstance(trying, Awaitable):
        await trying


@pytest.mark.parametrize("row", REFUSED)
async def test_a_start_is_refused_in_these_words(row: str, tmp_path: Path) -> None:
    with pytest.raises((RigError, ListenError, DoorError, StorageError, DriverError)) as refused:
        await tried(REFUSED[row], tmp_path)
    assert pattern(row).match(str(refused.value)), str(refused.value)


def test_a_fault_of_ours_is_called_so(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(group.fillside, "main", lambda *_, **__: 1 / 0)
    assert status("run", "rig.toml") == 1
    assert pattern(FAULT).match(capsys.readouterr().err.removeprefix("fillside: "))


def health(member: str) -> set[str]:
    return {stands for where, stands, _ in table("troubles", "health") if where == member}


def test_the_words_of_health() -> None:
    assert {row[0] for row in table("troubles", "health")} == set(HealthPayload.model_fields)
    assert health("live") == {"true"}
    assert health("ready") == {"true", "false"}
    assert health("drivers") == set(get_args(State))
    words = {word for _, word in errors._WHY} | set(errors._OF_ERRNO.values())
    with Store.in_memory() as store:
        assert health("storage") == {"ok", NO_ANSWER, str(store.trouble)} | words
    assert health("says") == lines_of(readiness)


def lines_of(module: Any) -> set[str]:
    """The texts in a module's functions, with dots for what is put into them; docstrings are none."""
    found = set()
    for function in ast.parse(Path(module.__file__).read_text("utf-8")).body:
        if not isinstance(function, ast.FunctionDef):
            continue
        inner = {part for node in ast.walk(function) for part in _parts(node)}
        for node in ast.walk(function):
            if isinstance(node, ast.JoinedStr):
                found.add("".join(_written(part) for part in node.values))
            elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in inner:
                found.add(node.value)
        found.discard(ast.get_docstring(function, clean=False) or "")
    return {text for text in found if " " in text}


def _parts(node: ast.AST) -> list[ast.expr]:
    return node.values if isinstance(node, ast.JoinedStr) else []


def _written(part: ast.expr) -> str:
    return str(part.value) if isinstance(part, ast.Constant) else "…"
