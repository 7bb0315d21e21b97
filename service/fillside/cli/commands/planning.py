"""``plan`` and ``sheet``: before the shoot, from a rig file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fillside.cli.files import CALIBRATION, RIG_FILE, calibration_of, check_writable, rig_of
from fillside.cli.group import WrongUse
from fillside.cli.parameters import AS_JSON, FEET
from fillside.rig.problems import unknown_name
from fillside_drivers.plain_files import write_plain

if TYPE_CHECKING:
    from fillside.rig.tables.model import Rig
    from fillside.sheet.layout import Paper

PAPERS = click.Choice(["a4", "letter"])
GLASSES = click.option("--glasses", is_flag=True, help="As if the subject wore a usual pair of spectacles.")


def mark_in(rig: Rig, mark: str | None) -> str | None:
    """Return the named mark, None without one. Raises WrongUse for an unknown one."""
    if mark is not None and mark not in rig.marks:
        raise WrongUse(f"--mark: {unknown_name('mark', mark, rig.marks)}")
    return mark


@click.command(
    epilog="""\b
Examples:
  fillside plan studio.toml
  fillside plan studio.toml --mark chair --all
  fillside plan studio.toml --glasses --map
"""
)
@RIG_FILE
@click.option("--mark", metavar="MARK", help="Only this mark. [all]")
@GLASSES
@click.option("--all", "every", is_flag=True, help="Every figure, and what was taken for granted.")
@click.option("--map", "maps", is_flag=True, help="Also the figures of every mark's map.")
@FEET
@CALIBRATION
@AS_JSON
def plan(
    rig_file: Path,
    mark: str | None,
    glasses: bool,
    every: bool,
    maps: bool,
    feet: bool,
    calibration: Path | None,
    as_json: bool,
) -> None:
    """Show what each mark allows, how its light looks, and what to mind, before any lamp is lit."""
    rig = rig_of(rig_file)
    marks = None if mark_in(rig, mark) is None else (str(mark),)
    fitted = calibration_of(calibration)
    from fillside.belief.result.intervals import Intervals
    from fillside.cli.render.plan_brief import brief_plan_lines
    from fillside.cli.render.plan_full import full_plan_lines
    from fillside.planning.figures import Lengths
    from fillside.planning.plan import plan_rig

    add_uncertainty = Intervals(rig, fitted).of
    report = plan_rig(rig, fitted, glasses=glasses, marks=marks, add_uncertainty=add_uncertainty)
    if as_json:
        click.echo(report.model_dump_json())
        return
    lines = full_plan_lines if every else brief_plan_lines
    click.echo("\n".join(lines(report, Lengths(feet), maps=maps)))


@click.command(
    epilog="""\b
Examples:
  fillside sheet studio.toml                         writes studio-sheet.pdf beside you
  fillside sheet studio.toml --mark desk --to desk.svg      and desk-page-2.svg
  fillside sheet studio.toml --paper letter --feet
"""
)
@RIG_FILE
@click.option("--to", "to", type=click.Path(path_type=Path), metavar="FILE", help="A .pdf or .svg file.")
@click.option("--mark", metavar="MARK", help="Where the subject is. [as the file says]")
@click.option("--paper", type=PAPERS, default="a4", help="The size it is printed on. [a4]")
@GLASSES
@FEET
@CALIBRATION
@AS_JSON
def sheet(
    rig_file: Path,
    to: Path | None,
    mark: str | None,
    paper: Paper,
    glasses: bool,
    feet: bool,
    calibration: Path | None,
    as_json: bool,
) -> None:
    """Write pages to rebuild the set from: drawings to scale with levels and readings, then check-lists."""
    rig = rig_of(rig_file)
    at = mark_in(rig, mark) or rig.subject.at or next(iter(rig.marks))
    file = to if to is not None else Path(f"{rig_file.stem}-sheet.pdf")
    form = file.suffix.lower().removeprefix(".")
    if form not in ("pdf", "svg"):
        raise WrongUse(f"--to: {file} must end in .pdf or .svg")
    check_writable(file)
    fitted = calibration_of(calibration)
    from fillside.belief.result.intervals import Intervals
    from fillside.planning.figures import Lengths
    from fillside.planning.plan import plan_rig
    from fillside.sheet.drawing.render import render
    from fillside.sheet.layout import lay_out

    add_uncertainty = Intervals(rig, fitted).of
    report = plan_rig(
        rig, fitted, marks=(at,), glasses=glasses, wander=False, add_uncertainty=add_uncertainty
    )
    pages = lay_out(rig, report, report.marks[0], Lengths(feet), paper)
    drawn = render(pages, "pdf" if form == "pdf" else "svg", f"{rig.rig.name}: lighting sheet")
    files = _write(file, drawn)
    result = {"written": str(file), "mark": at, "paper": paper, "bytes": len(drawn[0])}
    if as_json:
        click.echo(json.dumps({**result, "pages": len(pages), "files": [str(each) for each in files]}))
    else:
        names = " and ".join(str(each) for each in files)
        is_or_are = "is" if len(files) == 1 else "are"
        click.echo(f"{names} {is_or_are} written: {len(pages)} pages, for {at} on {paper} paper")


def _write(file: Path, drawn: tuple[bytes, ...]) -> list[Path]:
    """Write the drawn files to `file` and to numbered files beside it; return their names."""
    files = [file, *(file.with_stem(f"{file.stem}-page-{i}") for i in range(2, len(drawn) + 1))]
    for each in files:
        check_writable(each)
    for each, content in zip(files, drawn, strict=True):
        write_plain(each, content)
    return files
