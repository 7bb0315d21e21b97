"""``status``, ``takes`` and ``journal``: the light now, the freezes, and the orders so far."""

from __future__ import annotations

import json
from typing import Any

import click

from fillside.cli.client import Daemon, live_options
from fillside.cli.parameters import CountType


@click.command(epilog="\b\nExamples:\n  fillside status\n  fillside status --json | jq .achieved.ratio\n")
@live_options
def status(url: str, token: str | None, as_json: bool) -> None:
    """Show ratio, face, exposure and levels, now."""
    from fillside.cli.render.state import state_lines

    state = Daemon(url, token).state()
    click.echo(json.dumps(state) if as_json else "\n".join(state_lines(state)))


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
    """List freezes with their light at the beginning, the newest last; --json adds the light at the end."""
    from fillside.cli.render.history import take_lines

    found: list[dict[str, Any]] = Daemon(url, token).get(f"/api/v1/takes?most={most}")["takes"]
    if as_json:
        click.echo(json.dumps(found))
    elif found:
        click.echo("\n".join(take_lines(found[::-1])))
    else:
        click.echo("no take yet: `fillside freeze` begins one, `fillside follow` ends it")


@click.command(
    epilog="""\b
Examples:
  fillside journal
  fillside journal --most 5
  fillside journal --json | jq '.[] | select(.who == "tablet")'
"""
)
@click.option("--most", type=CountType(1, 1000), default=30, show_default=True, metavar="N", help="How many.")
@live_options
def journal(most: int, url: str, token: str | None, as_json: bool) -> None:
    """Show who ordered what, the newest last. From another machine this needs a token that may operate."""
    from fillside.cli.render.history import journal_lines

    entries: list[dict[str, Any]] = Daemon(url, token).get(f"/api/v1/journal?most={most}")["entries"]
    entries.reverse()
    if as_json:
        click.echo(json.dumps(entries))
    elif entries:
        click.echo("\n".join(journal_lines(entries)))
    else:
        click.echo("nothing was ordered yet")
