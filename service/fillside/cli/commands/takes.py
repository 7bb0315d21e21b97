"""``fillside takes``: freezes with the light they had, to light the same again."""

from __future__ import annotations

import json
import time
from typing import Any

import click

from fillside.cli.client import Daemon, live_options
from fillside.cli.parameters import CountType
from fillside.text import numbers


@click.command(
    epilog="""\b
Examples:
  fillside takes
  fillside takes --most 3
  fillside takes --json | jq '.[0].first.heads'       every head's level in the latest one
"""
)
@click.option("--most", type=CountType(1, 1000), default=30, show_default=True, metavar="N", help="How many.")
@live_options
def takes(most: int, url: str, token: str | None, as_json: bool) -> None:
    """Freezes with the light they began with, the newest last; --json has all of it, also at its end."""
    found: list[dict[str, Any]] = Daemon(url, token).get(f"/api/v1/takes?most={most}")["takes"]
    if as_json:
        click.echo(json.dumps(found))
    elif found:
        click.echo("\n".join(lines(found[::-1])))
    else:
        click.echo("no take yet: `fillside freeze` begins one, `fillside follow` ends it")


def lines(found: list[dict[str, Any]]) -> list[str]:
    """A line for each take, times as the clock on this wall has them."""
    rows = [["take", "began", "lasted", "ratio", "face", "exposure", "levels"]]
    for take in found:
        light = take["first"]
        achieved, heads = light["achieved"], light["heads"]
        rows.append(
            [
                str(take["id"]),
                time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(take["began"])),
                _lasted(take["ended"] is not None, take["lasted_s"]),
                numbers.ratio(achieved["ratio"]),
                numbers.ratio(light["face"]["ratio"]),
                numbers.lux(achieved["exposure_lux"]),
                ", ".join(f"{head['name']} {numbers.percent(head['level'])}" for head in heads),
            ]
        )
    return numbers.table(rows)


def _lasted(is_over: bool, lasted_s: float | None) -> str:
    """How long a take lasted.

    >>> _lasted(True, 83.4), _lasted(True, None), _lasted(False, None)
    ('1:23', 'not known', 'still on')
    """
    if lasted_s is None:
        return "not known" if is_over else "still on"
    minutes, seconds = divmod(int(lasted_s), 60)
    return f"{minutes}:{seconds:02d}"
