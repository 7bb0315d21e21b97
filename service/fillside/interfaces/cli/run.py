"""``fillside run``: the daemon."""

from __future__ import annotations

from pathlib import Path

import click

from fillside.interfaces.cli.group import Failure, WrongUse


@click.command(
    epilog="""\b
Examples:
  fillside run studio.toml
  fillside run studio.toml --listen 127.0.0.1:7500 --data ./kept
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
def run(rig_file: Path, listen: str, data: Path | None, stay: bool) -> None:
    """Hold the light of a rig until stopped by Ctrl-C or SIGTERM."""
    import asyncio
    import os

    from fillside.access.tokens import FILE as TOKEN_FILE
    from fillside.access.tokens import TokenFileError
    from fillside.daemon import Settings, run_until_stopped
    from fillside.interfaces.door import DoorError
    from fillside.interfaces.http.server import Listen, ListenError
    from fillside.logs import log_to_stderr
    from fillside.rig.load import RigError, load_rig
    from fillside.storage.errors import StorageError
    from fillside.storage.folder import default_folder, state_folder
    from fillside_drivers.driver import DriverError

    log_to_stderr()
    try:
        rig = load_rig(rig_file)
        where = Listen.parse(listen)
    except (RigError, ListenError) as error:
        raise WrongUse(str(error)) from error
    folder = data if data is not None else default_folder(rig.rig.name, os.environ)
    tokens = (data if data is not None else state_folder(os.environ)) / TOKEN_FILE
    try:
        asyncio.run(run_until_stopped(rig, Settings(folder, tokens, where, stay)))
    except (ListenError, DoorError, StorageError, DriverError, TokenFileError) as error:
        raise Failure(str(error)) from error
