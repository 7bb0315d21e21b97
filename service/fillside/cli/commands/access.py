"""``token`` and ``phone``: tokens for other machines, and an address with its code for a phone to scan."""

from __future__ import annotations

import io
import json
import os
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fillside.cli.client import Daemon, live_options
from fillside.cli.group import Failure, WrongUse
from fillside.cli.parameters import AS_JSON
from fillside.cli.terminal import steer

if TYPE_CHECKING:
    from fillside.access.tokens import TokenFile

DATA = click.option(
    "--data",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="The folder given to `fillside run --data`, if one is. [the user's state folder]",
)


def token_file(data: Path | None) -> TokenFile:
    from fillside.access.tokens import FILE, TokenFile
    from fillside.storage.folder import state_folder

    return TokenFile((data if data is not None else state_folder(os.environ)) / FILE)


@click.group(
    epilog="""\b
Examples:
  fillside token new --may operate --name "anna's tablet"
  fillside token new --may view
  fillside token list
  fillside token revoke abcd2345

\b
operate  may order and look
view     may look
meter    may hand in readings, and nothing else
"""
)
def token() -> None:
    """Make, list and revoke the tokens that let other machines in."""


@token.command(epilog="\b\nExample:\n  fillside token new --may operate --name tablet\n")
@click.option(
    "--may", type=click.Choice(["operate", "view", "meter"]), required=True, help="What it is good for."
)
@click.option("--name", default="", metavar="NAME", help="Whose it is; the journal says it.")
@DATA
@AS_JSON
def new(may: str, name: str, data: Path | None, as_json: bool) -> None:
    """Make a token. It is shown now and never again; only its hash is kept."""
    from fillside.access.permissions import RIGHTS
    from fillside.access.tokens import TokenFileError

    chosen = next(each for each in RIGHTS if each == may)
    if not name.isprintable() or len(name) > 64:
        raise WrongUse("a name is at most 64 printable characters")
    file = token_file(data)
    try:
        text = file.make(chosen, name or f"{may} token")
    except TokenFileError as error:
        raise Failure(str(error)) from error
    if as_json:
        click.echo(json.dumps({"token": text, "may": may, "id": text.split("-")[1]}))
    else:
        click.echo(text)
        click.echo("Keep it now: it is not shown again.", err=True)


@token.command("list", epilog="\b\nExample:\n  fillside token list\n")
@DATA
@AS_JSON
def list_tokens(data: Path | None, as_json: bool) -> None:
    """List the tokens, without their secrets, which are not stored."""
    from fillside.access.tokens import TokenFileError
    from fillside.text import numbers

    try:
        kept = token_file(data).lasting()
    except TokenFileError as error:
        raise Failure(str(error)) from error
    if as_json:
        found = [{"id": t.id, "name": t.name, "may": t.may, "made_at": t.made_at} for t in kept]
        click.echo(json.dumps(found))
    elif kept:
        rows = [["id", "may", "made", "name"]]
        rows += [[t.id, t.may, time.strftime("%Y-%m-%d", time.localtime(t.made_at)), t.name] for t in kept]
        click.echo("\n".join(numbers.table(rows)))
    else:
        click.echo("no tokens")


@token.command(epilog="\b\nExample:\n  fillside token revoke abcd2345\n")
@click.argument("ident", metavar="ID")
@DATA
@AS_JSON
def revoke(ident: str, data: Path | None, as_json: bool) -> None:
    """Revoke a token at once, also for open connections."""
    from fillside.access.tokens import TokenFileError

    try:
        ended = token_file(data).revoke(ident)
    except TokenFileError as error:
        raise Failure(str(error)) from error
    if ended is None:
        raise WrongUse(f"there is no token {ident!r}; `fillside token list` shows them")
    text = f"{ended.name} ({ended.may}) is no longer let in"
    click.echo(json.dumps({"revoked": ended.id}) if as_json else text)


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
    """Let a phone in: print an address that works once, within ten minutes, and a code to scan."""
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
