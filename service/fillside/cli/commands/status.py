"""``fillside status``: the state once."""

from __future__ import annotations

import json

import click

from fillside.cli.client import Daemon, live_options
from fillside.cli.render.state import block


@click.command(epilog="\b\nExamples:\n  fillside status\n  fillside status --json | jq .achieved.ratio\n")
@live_options
def status(url: str, token: str | None, as_json: bool) -> None:
    """Ratio, face, exposure and levels, now."""
    state = Daemon(url, token).state()
    click.echo(json.dumps(state) if as_json else "\n".join(block(state)))
