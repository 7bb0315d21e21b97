"""``fillside phone``: an address to open on a phone or a tablet, and its code to scan."""

from __future__ import annotations

import io
import json
import sys
import time

import click

from fillside.cli.client import Daemon, live_options
from fillside.cli.group import Failure
from fillside.cli.terminal import steer


@click.command(
    epilog="""\b
Examples:
  fillside phone                         for a phone that may order
  fillside phone --may view --name wall  for a screen that looks on
"""
)
@click.option(
    "--may",
    type=click.Choice(["operate", "view"]),
    default="operate",
    show_default=True,
    help="What it is good for.",
)
@click.option("--name", default="phone", show_default=True, metavar="NAME", help="Whose it is.")
@live_options
def phone(may: str, name: str, url: str, token: str | None, as_json: bool) -> None:
    """Let a phone in: prints an address that is good once, within ten minutes, and its code to scan."""
    found = Daemon(url, token).post("/api/v1/invitation", {"may": may, "name": name})
    if not found["addresses"]:
        raise Failure("the daemon's machine is on no network now, so a phone cannot reach it")
    urls = [f"{address}/#token={found['token']}" for address in found["addresses"]]
    if as_json:
        click.echo(json.dumps({"url": urls[0], "urls": urls, "until": found["until"]}))
        return
    for line in _qr_code(urls[0]):
        steer(f"{line}\n")
    click.echo("\n".join(urls))
    until = time.strftime("%H:%M", time.localtime(found["until"]))
    click.echo(
        f"Open it on the same network until {until}. It works once: the page changes it for a key of its "
        "own, which `fillside token list` shows and `fillside token revoke` ends."
    )


def _qr_code(url: str) -> list[str]:
    """Draw a QR code (ISO/IEC 18004) as text, or name the package that would draw it."""
    try:
        import segno
    except ImportError:
        from fillside.system_errors import package_missing

        return [f"(no code to scan: {package_missing('segno')})"]
    text = io.StringIO()
    segno.make(url, micro=False).terminal(text, compact=True)
    lines = text.getvalue().splitlines()
    # Scanners need dark on light, whatever the colours of the terminal.
    return [f"\x1b[97;40m{line}\x1b[0m" for line in lines] if sys.stdout.isatty() else lines
