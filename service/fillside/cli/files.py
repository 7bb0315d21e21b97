"""Files named on the command line: rigs, calibrations and CSV. Any fault in them is reported as wrong use."""

from __future__ import annotations

import codecs
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fillside.cli.group import WrongUse
from fillside_drivers.plain_files import MIB, NotPlainError, check_can_be_written, plain_bytes

if TYPE_CHECKING:
    from fillside.rig.calibration import Calibration
    from fillside.rig.tables.model import Rig

RIG_FILE = click.argument("rig_file", metavar="RIG.toml", type=click.Path(path_type=Path))
CALIBRATION = click.option(
    "--calibration", type=click.Path(path_type=Path), metavar="FILE", help="What `fit --json` printed."
)
LARGEST_SHEET_BYTES = 5 * MIB


def rig_of(path: Path) -> Rig:
    """Load the rig in a file. Raises WrongUse for a bad one."""
    from fillside.rig.problems import RigError
    from fillside.rig_file import load_rig

    try:
        return load_rig(path)
    except RigError as error:
        raise WrongUse(str(error)) from error


def calibration_of(path: Path | None) -> Calibration | None:
    """Load the calibration in a file, None without one. Raises WrongUse for a bad one."""
    if path is None:
        return None
    from pydantic import ValidationError

    from fillside.orders.answers import Refusal
    from fillside.orders.strict_json import strict_loads
    from fillside.rig.calibration import Calibration

    try:
        return Calibration.model_validate(strict_loads(plain_bytes(path, 8 * MIB)))
    except OSError as error:
        from fillside.system_errors import why

        raise WrongUse(f"{path}: {why(error)}") from error
    except Refusal as error:
        raise WrongUse(f"{path}: {error}") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"])) or "the file"
        raise WrongUse(f"{path}: {where}: {first['msg'].removeprefix('Value error, ')}") from error


def sheet_text(path: Path) -> str:
    """Read a CSV file in any encoding that spreadsheets write. Raises WrongUse for a bad one."""
    try:
        body = plain_bytes(path, LARGEST_SHEET_BYTES)
    except OSError as error:
        from fillside.system_errors import why

        raise WrongUse(f"{path}: {why(error)}") from error
    if body.startswith(b"PK\x03\x04"):
        raise WrongUse(f"{path}: this is a spreadsheet's own file; save it as CSV")
    if body.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return _decoded(path, body, "utf-16")
    try:
        return body.decode("utf-8-sig")
    except UnicodeDecodeError:
        return _decoded(path, body, "cp1252")


def check_writable(path: Path) -> None:
    """Raise WrongUse if the path is a pipe, a device, a folder or a socket."""
    try:
        check_can_be_written(path)
    except NotPlainError as error:
        raise WrongUse(f"{path} cannot be written: {error}") from error


def _decoded(path: Path, body: bytes, encoding: str) -> str:
    try:
        return body.decode(encoding)
    except UnicodeDecodeError:
        raise WrongUse(f"{path}: this is not a text; save it as CSV in UTF-8") from None
