"""The commands that each give one order to the running daemon and print its answer."""

from __future__ import annotations

import json
from typing import Any

import click

from fillside.cli.client import Daemon, live_options
from fillside.cli.group import WrongUse
from fillside.cli.parameters import (
    LEVEL,
    NUMBER,
    STOPS,
    NumbersCommand,
    StopsType,
    parse_number,
    plain,
    stops,
)
from fillside.cli.render.state import motion_text, one_line
from fillside.orders.registry import ORDERS
from fillside.rig.problems import quoted

Order = dict[str, Any]


def give(order: Order, url: str, token: str | None, as_json: bool) -> None:
    """Give an order to the daemon and print its answer."""
    answer = Daemon(url, token).do(order)
    if as_json:
        click.echo(json.dumps(answer))
        return
    note = answer.get("note") or ""
    if note:
        click.echo(note)
    state = answer.get("state") or {}
    click.echo(": ".join(filter(None, (motion_text(state), one_line(state, note)))))


@click.command(
    cls=NumbersCommand,
    epilog="""\b
Examples:
  fillside balance 3:1
  fillside balance "1 stop"              key twice the fill, each metered alone
  fillside balance 2:1 --protect exposure
  fillside balance --relative hair=-0.5  hair light half a stop under the key
""",
)
@click.argument("ratio", required=False)
@click.option("--read-as", type=click.Choice(["key:fill", "key+fill:fill", "face"]), help="What RATIO means.")
@click.option("--protect", type=click.Choice(["ratio", "exposure"]), help="Kept when both cannot be.")
@click.option(
    "--relative", "relative", multiple=True, metavar="ROLE=STOPS", help="Where another role is held, or out."
)
@live_options
def balance(
    ratio: str | None,
    read_as: str | None,
    protect: str | None,
    relative: tuple[str, ...],
    url: str,
    token: str | None,
    as_json: bool,
) -> None:
    """Ask for another RATIO of key to fill, such as 3:1, 2.5 or "1 stop"."""
    order: Order = {"do": "balance"}
    if ratio is not None:
        order["ratio"] = plain(ratio)
    if read_as is not None:
        order["read_as"] = read_as
    if protect is not None:
        order["protect"] = protect
    if relative:
        order["relative"] = dict(_role_stops(pair) for pair in relative)
    if len(order) == 1:
        raise WrongUse("say what to change, such as `fillside balance 3:1`")
    give(order, url, token, as_json)


def _role_stops(pair: str) -> tuple[str, float | str]:
    role, equals, value = plain(pair).partition("=")
    if not equals:
        raise WrongUse(f"--relative: {quoted(plain(pair))} is not a role and its stops, such as hair=-0.5")
    if value == "out":
        return role, value
    try:
        return role, stops(value)
    except ValueError as error:
        raise WrongUse(str(error)) from error


@click.command(
    cls=NumbersCommand,
    epilog="""\b
Examples:
  fillside expose +1/3         a third of a stop more light in all
  fillside expose -0.5
  fillside expose --to 640     lux at the subject, whatever the camera
  fillside expose --to camera  what the camera asks for, without steps
""",
)
@click.argument("by", type=StopsType(to="camera"), required=False, metavar="[STOPS]")
@click.option("--to", "to", metavar="LUX|camera", help="The exposure itself, instead of a change.")
@live_options
def expose(by: float | None, to: str | None, url: str, token: str | None, as_json: bool) -> None:
    """Ask for more (+) or less (-) exposure, in STOPS, up to 6 in all; or for an exposure in lux."""
    if (by is None) == (to is None):
        raise WrongUse(
            "say by how much, such as `fillside expose +1/3`, or --to how many lux, or --to camera"
        )
    if to is None:
        give({"do": "expose", "by": by}, url, token, as_json)
        return
    try:
        wanted: float | str = "camera" if to == "camera" else parse_number(to)
    except ValueError as error:
        raise WrongUse(f"--to: {quoted(plain(to))} is neither a number of lux nor camera") from error
    give({"do": "expose", "to": wanted}, url, token, as_json)


@click.command(
    cls=NumbersCommand,
    epilog="""\b
Examples:
  fillside camera --aperture 2.8
  fillside camera --iso 800 --shutter 1/50
""",
)
@click.option("--iso", type=NUMBER, help="Such as 800.")
@click.option("--aperture", type=NUMBER, help="The f-number, such as 2.8.")
@click.option("--shutter", metavar="TIME", help="Such as 1/50.")
@click.option("--shutter-angle", type=NUMBER, metavar="DEGREES", help="With --fps.")
@click.option("--fps", type=NUMBER, help="Frames per second.")
@click.option("--nd", "nd_stops", type=STOPS, metavar="STOPS", help="Filters in front, in stops.")
@live_options
def camera(url: str, token: str | None, as_json: bool, **given: Any) -> None:
    """Say what changed at the camera; the exposure follows."""
    changes = {name: value for name, value in given.items() if value is not None}
    if not changes:
        raise WrongUse("say what changed, such as `fillside camera --aperture 2.8`")
    give({"do": "camera", **changes}, url, token, as_json)


@click.command(
    cls=NumbersCommand,
    epilog="""\b
Examples:
  fillside trim fill -1          a stop less fill than now
  fillside trim hair +1/3
  fillside trim fill --to 0      no trim: as the balance wants it
  fillside trim hair --to out    that role out
""",
)
@click.argument("role")
@click.argument("by", type=StopsType(to="out"), required=False, metavar="[STOPS]")
@click.option("--to", "to", metavar="STOPS|out", help="The trim in all, instead of a change.")
@live_options
def trim(role: str, by: float | None, to: str | None, url: str, token: str | None, as_json: bool) -> None:
    """Put ROLE up (+) or down (-) by STOPS, on top of the balance."""
    if (by is None) == (to is None):
        raise WrongUse("say by how much, such as `fillside trim fill -1`, or --to how much")
    if to is None:
        give({"do": "trim", "role": role, "by": by}, url, token, as_json)
        return
    try:
        wanted: float | str = "out" if to == "out" else stops(to)
    except ValueError as error:
        raise WrongUse(f"--to: {error}, or out") from error
    give({"do": "trim", "role": role, "to": wanted}, url, token, as_json)


@click.command(
    cls=NumbersCommand,
    epilog="""\b
Examples:
  fillside move desk
  fillside move -0.4 0.2 1.2     metres: right, away from the camera, up
""",
)
@click.argument("where", nargs=-1, required=True, metavar="MARK | X Y Z")
@live_options
def move(where: tuple[str, ...], url: str, token: str | None, as_json: bool) -> None:
    """Say that the subject is at a mark, or at X Y Z in metres."""
    if len(where) == 1:
        give({"do": "move", "mark": plain(where[0])}, url, token, as_json)
        return
    if len(where) != 3:
        raise WrongUse("say a mark, or x y z in metres")
    try:
        order = {"do": "move", "to": [parse_number(part) for part in where]}
    except ValueError as error:
        raise WrongUse(f"{error}; say x y z in metres") from error
    give(order, url, token, as_json)


@click.command(epilog="\b\nExample:\n  fillside only key --level 50%     to meter the key alone\n")
@click.argument("head")
@click.option(
    "--level", type=LEVEL, metavar="LEVEL", help="On the wire, such as 50% or 0.5; left out: as it is."
)
@live_options
def only(head: str, level: float | None, url: str, token: str | None, as_json: bool) -> None:
    """Light HEAD alone, with the others out; `fillside all` ends it."""
    order: Order = {"do": "only", "head": head}
    if level is not None:
        order["level"] = level
    give(order, url, token, as_json)


@click.command(epilog="\b\nExample:\n  fillside identify key        which lamp is the key?\n")
@click.argument("head")
@live_options
def identify(head: str, url: str, token: str | None, as_json: bool) -> None:
    """Dip HEAD slowly and bring it back, or bring it up and put it out again; the others stay as they are."""
    give({"do": "identify", "head": head}, url, token, as_json)


def _without_arguments(word: str, more: str = "") -> click.Command:
    does = f"{ORDERS[word].help} {more}".rstrip()

    @click.command(name=word, help=does, epilog=f"\b\nExample:\n  fillside {word}\n")
    @live_options
    def command(url: str, token: str | None, as_json: bool) -> None:
        give({"do": word}, url, token, as_json)

    return command


keep = _without_arguments("keep", "Clears the trims.")
follow = _without_arguments("follow", "Ends freeze and dark.")
freeze = _without_arguments("freeze", "Moves act at the next follow.")
dark = _without_arguments("dark", "`follow` brings the light back.")
undo = _without_arguments("undo")
all_heads = _without_arguments("all", "Every head is as the balance wants it.")
