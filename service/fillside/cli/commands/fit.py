"""``fillside fit``: a calibration from a file of readings, offline."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from fillside.cli.files import RIG_FILE, check_writable, rig_of, sheet_text
from fillside.cli.group import WrongUse
from fillside.cli.parameters import AS_JSON
from fillside_drivers.plain_files import write_plain

if TYPE_CHECKING:
    from fillside.calibration.estimate.fit import Fit

FORMS = ("png", "pdf", "svg")


@click.command(
    epilog="""\b
Examples:
  fillside fit studio.toml readings.csv
  fillside fit studio.toml readings.csv --json > studio.json
  fillside solve studio.toml --calibration studio.json
  fillside fit studio.toml readings.csv --plot studio.png

\b
The file's first line is  head,level,x,y,z,value,unit,receptor,facing
"""
)
@RIG_FILE
@click.argument("readings_file", metavar="READINGS.csv", type=click.Path(path_type=Path))
@click.option(
    "--plot", type=click.Path(path_type=Path), metavar="FILE", help="Draw it as .png, .pdf or .svg."
)
@AS_JSON
def fit(rig_file: Path, readings_file: Path, plot: Path | None, as_json: bool) -> None:
    """What the readings say: intensities, dimming curves and room light, how sure, and what to read next."""
    rig = rig_of(rig_file)
    if plot is not None and plot.suffix.lower().removeprefix(".") not in FORMS:
        raise WrongUse(f"--plot: {plot} must end in .png, .pdf or .svg")
    if plot is not None:
        check_writable(plot)
    from fillside.calibration.readings import ReadingError
    from fillside.calibration.result.from_file import fit_text
    from fillside.calibration.result.outcome import calibration_of
    from fillside.cli.render.calibration import fit_lines

    try:
        found = fit_text(sheet_text(readings_file), rig)
    except ReadingError as error:
        raise WrongUse(f"{readings_file}: {error}") from error
    if plot is not None:
        _draw(found, plot, f"{rig.rig.name}: {readings_file.name}")
    calibration = calibration_of(found)
    click.echo(calibration.model_dump_json() if as_json else "\n".join(fit_lines(rig, calibration)))
    if plot is not None and not as_json:
        click.echo(f"\n{plot} is drawn")


def _draw(found: Fit, plot: Path, title: str) -> None:
    from fillside.sheet.calibration_plots import draw_fit

    form = plot.suffix.lower().removeprefix(".")
    try:
        drawn = draw_fit(found, title, "pdf" if form == "pdf" else "svg" if form == "svg" else "png")
    except ValueError as error:
        raise WrongUse(str(error)) from error
    write_plain(plot, drawn)
