"""The commands for a light meter: guided routines, readings, and the calibrations fitted to them."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from fillside.cli.client import Daemon, live_options
from fillside.cli.group import WrongUse
from fillside.cli.parameters import CountType, NumbersCommand, place, plain
from fillside.orders.registry import ORDERS
from fillside.rig.problems import quoted

TIMEOUT_S = ORDERS["read"].timeout_s
NO_HEAD = "none"
PAGE = 1000
NO_GO = 1

VIRTUAL_METER = click.option(
    "--virtual-meter", is_flag=True, help="A simulated meter reads, where every lamp is simulated."
)


def patient_daemon(url: str, token: str | None) -> Daemon:
    return Daemon(url, token, TIMEOUT_S)


def has_subcommand(ctx: click.Context, url: str, token: str | None) -> bool:
    """Return whether a subcommand was given, which gets the daemon's options as its defaults."""
    if ctx.invoked_subcommand is None:
        return False
    ctx.default_map = {ctx.invoked_subcommand: {"url": url, "token": token}}
    return True


def print_note(answer: dict[str, Any], as_json: bool) -> None:
    click.echo(json.dumps(answer) if as_json else answer.get("note") or "done")


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
@VIRTUAL_METER
@click.option("--no-warm-up", is_flag=True, help="Do not test whether the lamps have warmed up.")
@live_options
def calibrate(virtual_meter: bool, no_warm_up: bool, url: str, token: str | None, as_json: bool) -> int:
    """Guided, with a light meter: where to stand, what to point where, what to expect, when it is enough."""
    return _guide("calibrate", virtual_meter, no_warm_up, url, token, as_json)


@click.command(
    epilog="""\b
Examples:
  fillside lineup && echo "roll"
  fillside lineup --virtual-meter

\b
Status 0 is a go, 1 is not; it names the head that changed, and whether it looks moved or dimmer.
"""
)
@VIRTUAL_METER
@live_options
def lineup(virtual_meter: bool, url: str, token: str | None, as_json: bool) -> int:
    """The two-minute check before a shoot: key, fill, exposure, background against what was calibrated."""
    return _guide("lineup", virtual_meter, False, url, token, as_json)


@click.command(
    name="round",
    epilog="""\b
Examples:
  fillside round                         the person with the meter types one number a head
  fillside round --virtual-meter

\b
Status 0 is when each head was read, 1 when the round was left.
""",
)
@VIRTUAL_METER
@live_options
def round_of_heads(virtual_meter: bool, url: str, token: str | None, as_json: bool) -> int:
    """Read each head once: all are lit by themselves, one after the other, at the level that is held."""
    return _guide("round", virtual_meter, False, url, token, as_json)


def _guide(kind: str, virtual: bool, no_warm_up: bool, url: str, token: str | None, as_json: bool) -> int:
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
    if kind == "round":
        return NO_GO if last is None else 0
    return 0 if verdict is not None and verdict["go"] else NO_GO


@click.command(
    cls=NumbersCommand,
    epilog="""\b
Examples:
  fillside read 640 lux --head key             key alone, at the level it has now, at the subject
  fillside read 60 fc --head key --level 45% --at chair
  fillside read 5.6+0.7 --head key+fill --receptor dome --facing camera
  fillside read 3 lux --head none              all heads out: the light that is there without them
  fillside read 640                            what a guided routine asks for now, else of all that is lit
  fillside read 640 --check                    all that is lit: have the lamps drifted?
  fillside read 1.62 m --head fill             a tape from the subject to the middle of its lit face
""",
)
@click.argument("value")
@click.argument("unit", required=False, default="")
@click.option("--head", metavar="NAME", help="What was lit: key, key+fill, none. [as asked; all lit]")
@click.option("--level", metavar="L", help="Such as 45% or 0.45, for more heads 100%+40%. [as it is now]")
@click.option("--at", "where", metavar="MARK|X,Y,Z", help="Where the meter was. [where the subject is]")
@click.option("--receptor", type=click.Choice(["flat", "dome"]), help="[flat toward a head]")
@click.option("--facing", metavar="WHAT", help="head, camera, or a head's name. [head]")
@click.option("--note", metavar="TEXT", help="Kept with it.")
@click.option("--check", is_flag=True, help="Only tell how far the lamps have drifted.")
@live_options
def read(
    value: str, unit: str, check: bool, url: str, token: str | None, as_json: bool, **given: str | None
) -> None:
    """Hand in what the meter shows: VALUE UNIT, in lux by default, or an f-stop such as 5.6+0.7; m or ft is
    a tape measure."""
    from fillside.cli.meter_display import DisplayUnit, parse_reading, parse_tape

    daemon = patient_daemon(url, token)
    text, told = f"{plain(value)} {unit}".strip(), {"check": True} if check else {}
    try:
        if (tape := parse_tape(text)) is not None:
            print_note(daemon.do({"do": "read", **tape, **_members(given), **told}), as_json)
            return
        is_stop = "+" in text or text.lower().startswith("f")
        display = DisplayUnit.of_camera(daemon.state()["camera"]) if is_stop else DisplayUnit()
        order = {"do": "read", **parse_reading(text, display)[0]}
        order |= _members(given) | told
    except ValueError as error:
        raise WrongUse(str(error)) from error
    print_note(daemon.do(order), as_json)


@click.command(
    cls=NumbersCommand,
    epilog="""\b
Examples:
  fillside event fill moved --note "bumped, about a hand to the left"
  fillside event key changed                   another lamp or bulb is in
""",
)
@click.argument("head")
@click.argument("kind", metavar="moved|changed", type=click.Choice(["moved", "changed"]))
@click.option("--note", metavar="TEXT", help="Kept with it.")
@live_options
def event(head: str, kind: str, note: str | None, url: str, token: str | None, as_json: bool) -> None:
    """Say that the stand of HEAD was moved, or its lamp changed: what was metered before counts less."""
    order = {"do": "event", "head": plain(head), "kind": kind, **({} if note is None else {"note": note})}
    print_note(patient_daemon(url, token).do(order), as_json)


def _members(given: dict[str, str | None]) -> dict[str, Any]:
    members: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
    if "head" in members and members["head"] == NO_HEAD:
        members["head"] = ""
    if (where := members.pop("where", None)) is not None:
        members["at"] = list(place(where)) if "," in where else plain(where)
    return members


@click.group(
    invoke_without_command=True,
    epilog="""\b
Examples:
  fillside readings                      the newest last
  fillside readings --csv > kept.csv     what counts for calibration, to keep or to fit elsewhere
  fillside readings strike 7
  fillside readings import kept.csv
""",
)
@click.option("--most", type=CountType(1, PAGE), default=40, metavar="N", help="How many. [40]")
@click.option("--csv", "as_csv", is_flag=True, help="All that count for calibration, as a CSV file.")
@live_options
@click.pass_context
def readings(ctx: click.Context, most: int, as_csv: bool, url: str, token: str | None, as_json: bool) -> None:
    """The readings, tape measures and events; strike a wrong one, import a file of them."""
    if has_subcommand(ctx, url, token):
        return
    daemon = Daemon(url, token)
    if as_csv:
        click.echo(_csv_of(daemon), nl=False)
        return
    found = daemon.get(f"/api/v1/readings?most={most}")
    if as_json:
        click.echo(json.dumps(found))
        return
    from fillside.cli.render.readings import reading_lines

    taken = [one for one in found["readings"][::-1] if one["purpose"] != "sensor"]
    click.echo("\n".join(reading_lines(taken)))


def _csv_of(daemon: Daemon) -> str:
    from fillside.belief.evidence import Piece, dated
    from fillside.belief.evidence_table import csv_from_readings
    from fillside.storage.rows import WEIGHED, piece_in

    counting: list[Piece] = []
    before: int | None = None
    while True:
        query = f"?most={PAGE}" + ("" if before is None else f"&before={before}")
        page = daemon.get(f"/api/v1/readings{query}")["readings"]
        for one in page:
            if one["purpose"] in WEIGHED and one["struck"] is None:
                counting.append(dated(piece_in(one["purpose"], one["body"]), one["at"]))
        if len(page) < PAGE:
            return csv_from_readings(counting[::-1])
        before = page[-1]["id"]


@readings.command(
    cls=NumbersCommand, epilog="\b\nExample:\n  fillside readings strike 7 --why 'stood in the light'\n"
)
@click.argument("number", type=CountType(1, 10**14))
@click.option("--why", metavar="TEXT", help="Kept with it.")
@live_options
def strike(number: int, why: str | None, url: str, token: str | None, as_json: bool) -> None:
    """Strike reading NUMBER: it no longer counts, and everything based on it is computed again."""
    order = {"do": "strike", "reading": number, **({} if why is None else {"why": why})}
    print_note(patient_daemon(url, token).do(order), as_json)


@readings.command(name="import", epilog="\b\nExample:\n  fillside readings import kept.csv\n")
@click.argument("file", metavar="FILE.csv", type=click.Path(path_type=Path))
@live_options
def import_readings(file: Path, url: str, token: str | None, as_json: bool) -> None:
    """Import the readings of a CSV file; if one line is wrong, none is imported."""
    from fillside.cli.files import sheet_text

    print_note(patient_daemon(url, token).do({"do": "import", "readings": sheet_text(file)}), as_json)


@click.group(
    invoke_without_command=True,
    epilog="""\b
Examples:
  fillside calibrations
  fillside calibrations use 3            go back to an earlier one
  fillside calibrations --at 2026-02-11T09:30          what was known then
  fillside calibrations compare 3 5
  fillside calibrations use none         the rig file alone
  fillside calibrations export 3 > then.json
  fillside calibrations import then.json
""",
)
@click.option("--most", type=CountType(1, 1000), default=30, show_default=True, metavar="N", help="How many.")
@click.option("--at", "then", metavar="TIME", help="Only the one in use then: 2026-02-11T09:30, as here.")
@live_options
@click.pass_context
def calibrations(
    ctx: click.Context, most: int, then: str | None, url: str, token: str | None, as_json: bool
) -> None:
    """The latest calibrations; compare two, use an earlier one, export one, import one."""
    if has_subcommand(ctx, url, token):
        return
    asked = f"most={most}" if then is None else f"at={_utc(then)}"
    found = Daemon(url, token).get(f"/api/v1/calibrations?{asked}")
    if as_json:
        click.echo(json.dumps(found))
        return
    from fillside.cli.render.readings import calibration_lines, then_lines

    shown = found["calibrations"][::-1]
    click.echo("\n".join(calibration_lines(shown) if then is None else then_lines(shown)))


def _utc(text: str) -> str:
    """Convert a typed date and time, local where no zone is said, to UTC."""
    try:
        local = datetime.fromisoformat(plain(text).strip()).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise WrongUse(f"{quoted(text)} is no date and time such as 2026-02-11T09:30") from error
    return local.isoformat().replace("+00:00", "Z")


@calibrations.command(
    epilog="""\b
Examples:
  fillside calibrations compare 3 5
  fillside calibrations compare 2026-02-10T09:00 2026-02-11T09:00       those in use then
  fillside calibrations compare none 5                                  the rig file alone with one
"""
)
@click.argument("one", metavar="NUMBER|TIME|none")
@click.argument("other", metavar="NUMBER|TIME|none")
@live_options
def compare(one: str, other: str, url: str, token: str | None, as_json: bool) -> None:
    """Show what the light of each head at the marks differs by, from one calibration to another."""
    first, second = (
        text if text == NO_HEAD else _utc(text) if _is_time(text) else _whole(text) for text in (one, other)
    )
    found = Daemon(url, token).get(f"/api/v1/comparison?one={first}&other={second}")
    if as_json:
        click.echo(json.dumps(found))
        return
    from fillside.cli.render.readings import comparison_lines

    click.echo("\n".join(comparison_lines(found)))


@calibrations.command(
    epilog="\b\nExamples:\n  fillside calibrations use 3\n  fillside calibrations use 2026-02-11T09:30\n"
)
@click.argument("number", metavar="NUMBER|TIME|none")
@live_options
def use(number: str, url: str, token: str | None, as_json: bool) -> None:
    """Hold the light by calibration NUMBER from now on, by the one in use at TIME, or by the file alone."""
    wanted = None
    if number != NO_HEAD:
        wanted = _at_time(number, url, token) if _is_time(number) else _whole(number)
    print_note(patient_daemon(url, token).do({"do": "calibration", "use": wanted}), as_json)


def _is_time(text: str) -> bool:
    return any(mark in text for mark in "-:") and not text.startswith("-")


def _at_time(text: str, url: str, token: str | None) -> int:
    found = Daemon(url, token).get(f"/api/v1/calibrations?at={_utc(text)}")["calibrations"]
    if not found:
        why = "no calibration that is still kept was in use then"
        raise WrongUse(f"{why}; `fillside calibrations` lists them")
    return int(found[0]["id"])


def _whole(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 0 < len(text) < 16 and int(text) > 0):
        raise WrongUse(f"{quoted(text)} is not the number of a calibration, or {NO_HEAD}")
    return int(text)


@calibrations.command(epilog="\b\nExample:\n  fillside calibrations export 3 > then.json\n")
@click.argument("number", type=CountType(1, 10**14))
@live_options
def export(number: int, url: str, token: str | None, as_json: bool) -> None:
    """Print calibration NUMBER as JSON, as `fillside fit --json` would."""
    query = f"?most=1&before={number + 1}"
    for one in Daemon(url, token).get(f"/api/v1/calibrations{query}")["calibrations"]:
        if one["id"] == number:
            click.echo(json.dumps(one["body"]))
            return
    raise WrongUse(f"there is no calibration {number}; `fillside calibrations` lists them")


@calibrations.command(name="import", epilog="\b\nExample:\n  fillside calibrations import then.json\n")
@click.argument("file", metavar="FILE.json", type=click.Path(path_type=Path))
@live_options
def import_calibration(file: Path, url: str, token: str | None, as_json: bool) -> None:
    """Keep a calibration that was exported, or printed by `fillside fit --json`, and use it."""
    from fillside.cli.files import calibration_of

    calibration = calibration_of(file)
    assert calibration is not None, "a file was named"
    body = calibration.model_dump(mode="json", exclude_none=True)
    print_note(patient_daemon(url, token).do({"do": "import", "calibration": body}), as_json)
