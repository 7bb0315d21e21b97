"""``fillside run``: the daemon."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from fillside.cli.group import Failure, WrongUse


@click.command(
    epilog="""\b
Examples:
  fillside run studio.toml
  fillside run studio.toml --listen 127.0.0.1:7500 --data ./kept
  fillside run studio.toml --listen 0.0.0.0:7420 --certificate studio.pem --key studio.key
  fillside run studio.toml --public https://light.example
SIGHUP takes a rig file that was changed, or says what is wrong with it and goes on with the one before.
"""
)
@click.argument("rig_file", metavar="RIG.toml", type=click.Path(path_type=Path))
@click.option(
    "--listen", default="127.0.0.1:7420", metavar="HOST:PORT", show_default=True, help="Where to answer."
)
@click.option(
    "--data",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where to keep what a restart resumes from. [the user's state folder, one per rig]",
)
@click.option(
    "--stay", is_flag=True, help="At the end say nothing on the wires: the lamps keep their levels."
)
@click.option(
    "--certificate",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Answer over TLS: the certificate and those above it, PEM.",
)
@click.option("--key", type=click.Path(path_type=Path), metavar="FILE", help="The certificate's key, PEM.")
@click.option(
    "--require-token",
    is_flag=True,
    help="Ask everybody for a token, this machine too: behind a proxy on it, all who come seem to be here.",
)
@click.option(
    "--public",
    metavar="URL",
    help="The address at which a proxy answers for this daemon; everybody needs a token then.",
)
@click.option(
    "--log", type=click.Choice(["plain", "json"]), default="plain", help="How messages are written."
)
def run(
    rig_file: Path,
    listen: str,
    data: Path | None,
    stay: bool,
    certificate: Path | None,
    key: Path | None,
    require_token: bool,
    public: str | None,
    log: Literal["plain", "json"],
) -> None:
    """Hold the light of a rig until stopped by Ctrl-C or SIGTERM."""
    import asyncio
    import os

    from fillside.access.tokens import FILE as TOKEN_FILE
    from fillside.access.tokens import TokenFileError
    from fillside.daemon.composition import Settings, run_until_stopped
    from fillside.daemon.logs import log_to_stderr
    from fillside.doors.http.listening import Listen, ListenError, Public, tls_of
    from fillside.doors.listener import DoorError
    from fillside.rig.problems import RigError
    from fillside.rig_file import load_rig
    from fillside.storage.errors import StorageError
    from fillside.storage.folder import default_folder, state_folder
    from fillside_drivers.driver import DriverError

    log_to_stderr(form=log)
    try:
        rig = load_rig(rig_file)
        where = Listen.parse(listen)
        tls = tls_of(certificate, key)
        proxy = None if public is None else Public.parse(public)
    except (RigError, ListenError) as error:
        raise WrongUse(str(error)) from error
    folder = data if data is not None else default_folder(rig.rig.name, os.environ)
    tokens = (data if data is not None else state_folder(os.environ)) / TOKEN_FILE
    try:
        settings = Settings(folder, tokens, where, stay, tls, rig_file, require_token, proxy)
        asyncio.run(run_until_stopped(rig, settings, os.environ))
    except (ListenError, DoorError, StorageError, DriverError, TokenFileError) as error:
        raise Failure(str(error)) from error
