"""``check``, ``schema``, ``solve``, ``predict`` and ``fit``: commands on a rig file, without a daemon."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fillside.cli.files import CALIBRATION, RIG_FILE, calibration_of, check_writable, rig_of, sheet_text
from fillside.cli.group import Failure, WrongUse
from fillside.cli.parameters import AS_JSON, FEET, NumbersCommand, place, plain
from fillside.cli.render.state import head_lines, room_light_lines, state_lines
from fillside.rig.notation import level_number
from fillside.rig.problems import unknown_name
from fillside.text import numbers, uncertainty
from fillside_drivers.plain_files import write_plain

if TYPE_CHECKING:
    from fillside.belief.belief import Belief
    from fillside.rig.tables.model import Rig


FORMS = ("png", "pdf", "svg")


def place_in(rig: Rig, text: str, option: str) -> tuple[float, float, float]:
    """Parse a mark of the rig, or X,Y,Z in metres, as a place for the subject. Raises WrongUse."""
    from fillside.rig.scene.scene import subject_place_error

    typed = plain(text)
    if typed in rig.marks:
        return rig.marks[typed]
    if "," not in typed:
        raise WrongUse(f"{option}: {unknown_name('mark', typed, rig.marks)}")
    try:
        found = place(text)
    except ValueError as error:
        raise WrongUse(f"{option}: {error}") from error
    if (why := subject_place_error(rig, found)) is not None:
        raise WrongUse(f"{option}: {why}")
    return found


@click.command(epilog="\b\nExample:\n  fillside check studio.toml\n")
@RIG_FILE
@FEET
@AS_JSON
def check(rig_file: Path, feet: bool, as_json: bool) -> None:
    """Check a rig file, and show how it was understood and what to mind."""
    from fillside.cli.render.check import check_lines, check_report
    from fillside.planning.figures import Lengths

    found = check_report(rig_of(rig_file))
    click.echo(found.model_dump_json() if as_json else "\n".join(check_lines(found, Lengths(feet))))


@click.command(epilog="\b\nExample:\n  fillside schema > rig.schema.json     for an editor's completion\n")
def schema() -> None:
    """Print the rig file's JSON Schema."""
    from fillside.rig.file.schema import rig_schema
    from fillside_drivers.registry import kinds

    click.echo(json.dumps(rig_schema(kinds()), indent=2))


@click.command(
    cls=NumbersCommand,
    epilog="""\b
Examples:
  fillside solve studio.toml
  fillside solve studio.toml --subject desk --ratio 3:1
  fillside solve studio.toml --subject -0.4,0.2,1.2 --json
""",
)
@RIG_FILE
@click.option("--subject", metavar="X,Y,Z|MARK", help="Where the subject is. [as the file says]")
@click.option("--ratio", metavar="RATIO", help="Such as 3:1 or 2.5. [as the file says]")
@CALIBRATION
@AS_JSON
def solve(
    rig_file: Path, subject: str | None, ratio: str | None, calibration: Path | None, as_json: bool
) -> None:
    """Show the levels that hold the balance at one moment."""
    rig = rig_of(rig_file)
    at = None if subject is None else place_in(rig, subject, "--subject")
    wanted = None if ratio is None else _ratio(rig, ratio)
    fitted = calibration_of(calibration)
    from fillside.balance.remedies.search import remedies
    from fillside.balance.solution import solve_rig
    from fillside.balance.target import target_from_rig
    from fillside.belief.result.intervals import Intervals
    from fillside.rig.file.build import apply_change

    if wanted is not None:
        rig = apply_change(rig, {"balance.ratio": wanted})
    report = Intervals(rig, fitted).of(solve_rig(rig, at, calibration=fitted).report, target_from_rig(rig))
    report = report.model_copy(update={"remedies": remedies(rig, at, fitted)})
    if as_json:
        click.echo(report.model_dump_json())
    else:
        others = {"relative_uncertainty_stops": report.relative_uncertainty_stops}
        click.echo("\n".join(state_lines({**report.model_dump(mode="json"), **others})))


def _ratio(rig: Rig, text: str) -> float:
    from fillside.rig.tables.model import ratio_number

    try:
        return ratio_number(plain(text), rig.balance.read_as)
    except ValueError as error:
        raise WrongUse(f"--ratio: {error}") from error


@click.command(
    cls=NumbersCommand,
    epilog="""\b
Examples:
  fillside predict studio.toml --at chair
  fillside predict studio.toml --at -0.4,0.2,1.2 --levels key=60%,fill=40%
""",
)
@RIG_FILE
@click.option("--at", "at", required=True, metavar="X,Y,Z|MARK", help="The place.")
@click.option("--levels", metavar="NAME=L,…", help="Such as key=60%; heads not named are out. [all full]")
@CALIBRATION
@AS_JSON
def predict(rig_file: Path, at: str, levels: str | None, calibration: Path | None, as_json: bool) -> None:
    """Show the light at a place, from each head and in total."""
    rig = rig_of(rig_file)
    where = place_in(rig, at, "--at")
    given = None if levels is None else _levels(rig, levels)
    fitted = calibration_of(calibration)
    from fillside.balance.prediction import predict as predicted
    from fillside.belief.result.intervals import Intervals

    try:
        prediction = Intervals(rig, fitted).of_prediction(predicted(rig, where, given, fitted))
    except ValueError as error:
        raise Failure(str(error)) from error
    if as_json:
        click.echo(prediction.model_dump_json())
    else:
        click.echo("\n".join(_prediction(prediction.model_dump(mode="json"))))


def _levels(rig: Rig, text: str) -> dict[str, float]:
    found: dict[str, float] = {}
    names = {head.name: head for head in rig.heads}
    for pair in filter(None, plain(text).split(",")):
        name, equals, value = pair.partition("=")
        if not equals:
            raise WrongUse(f"--levels: {pair!r} is not a head and its level, such as key=50%")
        if name not in names:
            raise WrongUse(f"--levels: {unknown_name('head', name, names)}")
        if names[name].dimming.fixed:
            raise WrongUse(f"--levels: {name} cannot be dimmed; it is always at full")
        if name in found:
            raise WrongUse(f"--levels: {name} is there twice")
        found[name] = _level(name, value)
    return found


def _level(name: str, text: str) -> float:
    try:
        return level_number(text)
    except ValueError as error:
        raise WrongUse(f"--levels: {name}: {error}") from error


def _prediction(found: dict[str, Any]) -> list[str]:
    face, within = found["face"], found["uncertainty"]
    exposure = within["exposure_stops"]
    sides = " / ".join(uncertainty.lux(face[key], exposure) for key in ("key_side_lux", "fill_side_lux"))
    rows = [
        ["key", uncertainty.lux(found["key_lux"], exposure), ""],
        ["fill", uncertainty.lux(found["fill_lux"], exposure), ""],
        [
            "ratio",
            uncertainty.ratio(found["ratio"], within["ratio_stops"]),
            uncertainty.plus_minus(within["ratio_stops"]),
        ],
        ["exposure", uncertainty.lux(found["exposure_lux"], exposure), uncertainty.plus_minus(exposure)],
        [
            "face",
            f"{uncertainty.ratio(face['ratio'], within['face_stops'])}, {sides}",
            uncertainty.plus_minus(within["face_stops"]),
        ],
        [
            "in the picture",
            f"{uncertainty.ratio(face['halves_ratio'], within['face_stops'])}, halves of the face",
            "",
        ],
    ]
    return [
        f"at {numbers.metres(found['at'])}",
        *numbers.table(rows),
        "",
        *head_lines(found["heads"]),
        *(["", *lines] if (lines := room_light_lines(found)) else []),
    ]


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
    """Show what readings say: intensities, dimming curves and room light, how sure, and what to read next."""
    rig = rig_of(rig_file)
    if plot is not None and plot.suffix.lower().removeprefix(".") not in FORMS:
        raise WrongUse(f"--plot: {plot} must end in .png, .pdf or .svg")
    if plot is not None:
        check_writable(plot)
    from fillside.belief.evidence import ReadingError
    from fillside.belief.result.calibrating import belief_from_csv, calibration_of
    from fillside.cli.render.calibration import fit_lines

    try:
        found = belief_from_csv(sheet_text(readings_file), rig)
    except ReadingError as error:
        raise WrongUse(f"{readings_file}: {error}") from error
    if plot is not None:
        _draw(found, plot, f"{rig.rig.name}: {readings_file.name}")
    calibration = calibration_of(found)
    click.echo(calibration.model_dump_json() if as_json else "\n".join(fit_lines(rig, calibration, found)))
    if plot is not None and not as_json:
        click.echo(f"\n{plot} is drawn")


def _draw(found: Belief, plot: Path, title: str) -> None:
    from fillside.sheet.calibration_plots import draw_belief

    form = plot.suffix.lower().removeprefix(".")
    try:
        drawn = draw_belief(found, title, "pdf" if form == "pdf" else "svg" if form == "svg" else "png")
    except ValueError as error:
        raise WrongUse(str(error)) from error
    write_plain(plot, drawn)
