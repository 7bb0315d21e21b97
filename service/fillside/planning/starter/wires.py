"""The lines of a first rig file that say how its lamps are reached: each head's drive, and the driver."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from fillside.planning.answers.wires import MQTT, SACN, SERIAL, SIM, Broker, BulbMessage, Slots, dimmed_roles

Answers = Mapping[str, Any]
DRIVER = "lamps"
"""What the first rig's driver is called."""
REHEARSE = f'change the word after kind in [drivers.{DRIVER}] to "sim"'
"""How a rig for real lamps is tried without them."""


def quoted(text: str) -> str:
    """A TOML string: as it stands where it can be, else with escapes."""
    return f"'{text}'" if '"' in text and "'" not in text else json.dumps(text, ensure_ascii=False)


def drive_line(answers: Answers, role: str) -> str:
    """The `drive` of the head of that role, which is one that is dimmed."""
    at, kind = dimmed_roles(answers).index(role), answers["driver"]
    if kind == MQTT:
        message: BulbMessage = answers["message"]
        parts = [f"send_to = {quoted(answers['topics'][at])}", f"send_as = {quoted(message.send_as)}"]
        parts.append(f"full_scale = {message.full_scale}")
    else:
        slots: Slots = answers.get("slots", Slots(tuple(range(1, 1 + len(dimmed_roles(answers))))))
        parts = [] if kind == SERIAL else [f"universe = {answers.get('universe', 1)}"]
        parts += [f"slot = {slots.of[at]}", *(["bits = 16"] if slots.bits == 16 else [])]
    return f'drive = {{ driver = "{DRIVER}", {", ".join(parts)} }}'


def driver_lines(answers: Answers) -> Iterator[str]:
    """The `[drivers]` table; nothing where no lamp is dimmed."""
    kind = answers.get("driver")
    if kind is None:
        return
    yield f"[drivers.{DRIVER}]"
    if kind == SIM:
        yield 'kind = "sim"                # simulated lamps; for a network node write kind = "sacn"'
        return
    yield f'kind = {quoted(kind):<20} # {_SAYS[kind]}; "sim" rehearses without them'
    yield from _OPTIONS[kind](answers)


_SAYS = {
    SACN: "streaming ACN, ANSI E1.31",
    SERIAL: "DMX512 by a USB adapter, ANSI E1.11",
    MQTT: "bulbs on a broker",
}


def _sacn(answers: Answers) -> Iterator[str]:
    yield f"to = [{', '.join(quoted(host) for host in answers['to'])}]"


def _serial(answers: Answers) -> Iterator[str]:
    yield f"device = {quoted(answers['device'])}"


def _mqtt(answers: Answers) -> Iterator[str]:
    broker: Broker = answers["broker"]
    yield f"broker = {quoted(broker.host)}"
    if broker.port is not None:
        yield f"port = {broker.port}"
    if broker.tls:
        yield "tls = true"
    yield '# where the broker asks who you are: user_from = "env:NAME", password_from = "file:PATH"'
    yield "# reports_at, ask_to and alive_at in a drive, where its bulb has them, let it be seen to obey"


_OPTIONS = {SACN: _sacn, SERIAL: _serial, MQTT: _mqtt}
