"""``calibrate`` and ``lineup``: the guided routines, step by step in a terminal."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, TypeVar

import click

from fillside.cli.client import live_options
from fillside.cli.commands.metering import patient_daemon
from fillside.cli.group import WrongUse

NO_GO = 1

Command = TypeVar("Command", bound=Callable[..., Any])


def _virtual(command: Command) -> Command:
    return click.option(
        "--virtual-meter", is_flag=True, help="A simulated meter reads, where every lamp is simulated."
    )(command)


@click.command(
    epilog="""\b
Examples:
  fillside calibrate
  fillside calibrate --virtual-meter --no-warm-up      a rehearsal, in a simulated studio

\b
At the prompt, type what the meter shows: 640, 640 lux, 60 fc, 8.3 ev, or 5.6+0.7 for f/5.6 and seven
tenths at the camera's ISO and shutter. Or one of: skip, again, leave, finish. It ends with status 0 when
the light is then as wanted, 1 when not. What was left goes on with the next `fillside calibrate`.
"""
)
@_virtual
@click.option("--no-warm-up", is_flag=True, help="Do not test whether the lamps have warmed up.")
@live_options
def calibrate(virtual_meter: bool, no_warm_up: bool, url: str, token: str | None, as_json: bool) -> int:
    """Guided, with a light meter: where to stand, what to point where, what to expect, when it is enough."""
    return _run("calibrate", virtual_meter, no_warm_up, url, token, as_json)


@click.command(
    epilog="""\b
Examples:
  fillside lineup && echo "roll"
  fillside lineup --virtual-meter

\b
Status 0 is a go, 1 is not; it names the head that changed, and whether it looks moved or dimmer.
"""
)
@_virtual
@live_options
def lineup(virtual_meter: bool, url: str, token: str | None, as_json: bool) -> int:
    """The two-minute check before a shoot: key, fill, exposure, background against what was calibrated."""
    return _run("lineup", virtual_meter, False, url, token, as_json)


def _run(kind: str, virtual: bool, no_warm_up: bool, url: str, token: str | None, as_json: bool) -> int:
    from fillside.cli.guide import PersonWithMeter, RoutineGuide, SimulatedMeter

    daemon = patient_daemon(url, token)
    if virtual and not daemon.get("/api/v1/places").get("simulated"):
        raise WrongUse(
            "there is no simulated meter: not every lamp of this rig is simulated; leave --virtual-meter out"
        )
    holder = (SimulatedMeter if virtual else PersonWithMeter)(daemon, to_stderr=as_json)
    last = RoutineGuide(kind, daemon, holder, no_warm_up=no_warm_up).run()
    if as_json:
        click.echo(json.dumps(last))
    verdict = (last or {}).get("verdict")
    return 0 if verdict is not None and verdict["go"] else NO_GO
