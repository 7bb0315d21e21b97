"""``fillside keys``: send orders to the running daemon from keys, a foot switch or a presentation remote."""

from __future__ import annotations

import contextlib
import json
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, NoReturn

import click

from fillside.cli.client import Daemon, live_options
from fillside.cli.group import Failure, WrongUse
from fillside.cli.render.history import order_text
from fillside.cli.render.state import one_line
from fillside.text import numbers

if TYPE_CHECKING:
    from fillside.doors.keys.device import InputDevice
    from fillside.doors.keys.presses import KeyTable, Press, PressHistory
    from fillside.doors.keys.terminal import Terminal
    from fillside.rig.tables.keys import Keys

SLOW_S = 1.0
"""If an answer takes longer, the presses made meanwhile are dropped: they were meant for an earlier state."""


@click.command(
    epilog="""\b
Examples:
  fillside keys studio.toml          what its [keys] table says, typed in this terminal
  fillside keys                      page down and page up walk the marks; b holds still
  fillside keys studio.toml --device /dev/input/by-id/usb-switch-event-kbd
  fillside keys --devices            which input devices there are
"""
)
@click.argument("rig_file", metavar="[RIG.toml]", required=False, type=click.Path(path_type=Path))
@click.option("--keys", "keys_file", type=click.Path(path_type=Path), metavar="FILE", help="A [keys] table.")
@click.option("--device", metavar="PATH", help="A Linux input device, instead of this terminal.")
@click.option("--devices", is_flag=True, help="List the input devices with keys, and end.")
@live_options
def keys(
    rig_file: Path | None,
    keys_file: Path | None,
    device: str | None,
    devices: bool,
    url: str,
    token: str | None,
    as_json: bool,
) -> None:
    """Keys, a foot switch or a presentation remote walk the marks, freeze, follow and trim."""
    if devices:
        _list_devices(as_json)
        return
    if rig_file is not None and keys_file is not None:
        raise WrongUse("give a rig file or --keys FILE, not both")
    source = _source(device, as_json)
    player = Player(Daemon(url, token), as_json)
    table = player.table(_keys(rig_file, keys_file), rig_file)
    player.begin(table, source.name)
    with _ends_at_signals():
        _play(player, table, source)


def _play(player: Player, table: KeyTable, source: Terminal | InputDevice) -> None:
    from fillside.doors.keys.device import DeviceError
    from fillside.doors.keys.presses import PressHistory

    history = PressHistory()
    try:
        with source.opened() as presses:
            for press in presses:
                began_s = time.monotonic()
                history = player.press(table, history, press)
                if time.monotonic() - began_s > SLOW_S:
                    source.drain()
    except DeviceError as error:
        raise Failure(str(error)) from error
    except KeyboardInterrupt:
        return


def _source(device: str | None, as_json: bool) -> Terminal | InputDevice:
    from fillside.doors.keys.device import DeviceError, InputDevice

    if device is not None:
        try:
            return InputDevice(device, lambda text: click.echo(f"fillside: {text}", err=True))
        except DeviceError as error:
            raise Failure(str(error)) from error
    if not sys.stdin.isatty():
        raise WrongUse("this is not a terminal to type in; give --device, such as /dev/input/event3")
    from fillside.doors.keys.terminal import Terminal

    return Terminal()


def _keys(rig_file: Path | None, keys_file: Path | None) -> Keys:
    from fillside.rig.problems import RigError
    from fillside.rig.tables.keys import Keys
    from fillside.rig_file import load_keys, load_rig

    try:
        if keys_file is not None:
            return load_keys(keys_file)
        return Keys() if rig_file is None else load_rig(rig_file).keys
    except RigError as error:
        raise WrongUse(str(error)) from error


def _list_devices(as_json: bool) -> None:
    from fillside.doors.keys.device import DeviceError, key_devices

    try:
        found = key_devices()
    except DeviceError as error:
        raise Failure(str(error)) from error
    if as_json:
        click.echo(json.dumps([{"path": each.path, "name": each.name} for each in found]))
    elif not found:
        click.echo("no input device with keys may be read; `sudo usermod -aG input $USER`, then log in again")
    else:
        click.echo("\n".join(numbers.table([[each.path, each.name] for each in found])))


@contextlib.contextmanager
def _ends_at_signals() -> Iterator[None]:
    """Exit cleanly on SIGTERM and SIGHUP too, so that the terminal is restored and the device released."""

    def end(_number: int, _frame: FrameType | None) -> NoReturn:
        raise KeyboardInterrupt

    old = {number: signal.signal(number, end) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in old.items():
            signal.signal(number, handler)


class Player:
    """Turns presses into orders, sends them, and prints the result of each."""

    def __init__(self, daemon: Daemon, as_json: bool) -> None:
        self._daemon, self._as_json = daemon, as_json

    def table(self, keys: Keys, rig_file: Path | None) -> KeyTable:
        """Build the key table. Raises WrongUse where it does not fit the daemon's rig."""
        from fillside.doors.keys.presses import KeyTable
        from fillside.rig.problems import did_you_mean

        places = self._daemon.get("/api/v1/places")
        marks = tuple(places["marks"])
        for mark in keys.programme:
            if mark not in marks:
                hint = did_you_mean(mark, marks, "marks")
                raise WrongUse(f"{rig_file or '--keys'}: {places['rig']} has no mark {mark!r}; {hint}")
        return KeyTable.of(keys, marks)

    def begin(self, table: KeyTable, source: str) -> None:
        """Print the keys and their actions."""
        if self._as_json:
            return
        rows = [[key, action.text] for key, action in table.actions.items()]
        click.echo(f"Keys of {source}; Ctrl-C ends it.")
        click.echo("\n".join(f"  {line}" for line in numbers.table(rows)))
        click.echo(f"programme: {', '.join(table.programme)}\n")

    def press(self, table: KeyTable, history: PressHistory, press: Press) -> PressHistory:
        """Carry out one press; return the history after it."""
        from dataclasses import replace

        from fillside.doors.keys.presses import read_press

        try:
            after, outcome = read_press(table, history, press, self._daemon.state)
        except click.ClickException as error:
            self._print(press, None, {"error": {"message": error.format_message()}})
            return history
        if outcome.order is None:
            if outcome.why_not:
                self._print(press, None, {"error": {"message": outcome.why_not}})
            return after
        order = outcome.order.as_json()
        try:
            answer = self._daemon.do(order)
        except click.ClickException as error:
            self._print(press, order, {"error": {"message": error.format_message()}})
            return after
        self._print(press, order, answer)
        return replace(after, place=outcome.place)

    def _print(self, press: Press, order: dict[str, Any] | None, answer: dict[str, Any]) -> None:
        if self._as_json:
            click.echo(json.dumps({"key": press.key, "order": order, "answer": answer}))
        else:
            text = order_text(order) if order else ""
            click.echo(f"{press.key:>10}  {': '.join(filter(None, (text, self._result(answer))))}")
        sys.stdout.flush()

    @staticmethod
    def _result(answer: dict[str, Any]) -> str:
        if "error" in answer:
            return str(answer["error"]["message"])
        return "; ".join(filter(None, (answer.get("note"), one_line(answer.get("state") or {}))))
