"""``plan``, ``sheet`` and ``new``: before the shoot, from a rig file or from a few questions."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fillside.interfaces.cli.group import WrongUse
from fillside.interfaces.cli.offline import AS_JSON, CALIBRATION, RIG_FILE, calibration_of, rig_of

if TYPE_CHECKING:
    from fillside.interfaces.sheet.layout import Paper
    from fillside.rig.model import Rig

FEET = click.option("--feet", is_flag=True, help="Lengths in feet and inches. [metric]")
PAPERS = click.Choice(["a4", "letter"])
GLASSES = click.option("--glasses", is_flag=True, help="As if the subject wore a usual pair of spectacles.")


def mark_in(rig: Rig, mark: str | None) -> str | None:
    """A mark of the rig as named on the command line, None where none was named."""
    if mark is not None and mark not in rig.marks:
        raise WrongUse(f"--mark: there is no mark {mark!r}; there is {', '.join(rig.marks)}")
    return mark


@click.command(
    epilog="""\b
Examples:
  fillside plan studio.toml
  fillside plan studio.toml --glasses --mark chair --map
"""
)
@RIG_FILE
@click.option("--mark", metavar="MARK", help="Only this mark. [all]")
@GLASSES
@click.option("--map", "maps", is_flag=True, help="Also the figures of every mark's map.")
@FEET
@CALIBRATION
@AS_JSON
def plan(
    rig_file: Path,
    mark: str | None,
    glasses: bool,
    maps: bool,
    feet: bool,
    calibration: Path | None,
    as_json: bool,
) -> None:
    """What each mark allows, how its light looks, and what to mind, before any lamp is lit."""
    rig = rig_of(rig_file)
    marks = None if mark_in(rig, mark) is None else (str(mark),)
    known = calibration_of(calibration)
    from fillside.calibration.intervals import Intervals
    from fillside.interfaces.cli.planned import planned
    from fillside.interfaces.lengths import Lengths
    from fillside.planning.plan import plan_rig

    surely = Intervals(rig, known).of
    report = plan_rig(rig, known, glasses=glasses, marks=marks, surely=surely)
    click.echo(report.model_dump_json() if as_json else "\n".join(planned(report, Lengths(feet), maps=maps)))


@click.command(
    epilog="""\b
Examples:
  fillside sheet studio.toml                         writes studio-sheet.pdf beside you
  fillside sheet studio.toml --mark desk --to desk.svg
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
    """One page to rebuild the set from: drawn to scale, with levels, readings and check-lists."""
    rig = rig_of(rig_file)
    at = mark_in(rig, mark) or rig.subject.at or next(iter(rig.marks))
    file = to if to is not None else Path(f"{rig_file.stem}-sheet.pdf")
    form = file.suffix.lower().removeprefix(".")
    if form not in ("pdf", "svg"):
        raise WrongUse(f"--to: {file} must end in .pdf or .svg")
    known = calibration_of(calibration)
    from fillside.calibration.intervals import Intervals
    from fillside.interfaces.lengths import Lengths
    from fillside.interfaces.sheet.layout import lay_out
    from fillside.interfaces.sheet.render import render
    from fillside.planning.plan import plan_rig

    surely = Intervals(rig, known).of
    report = plan_rig(rig, known, marks=(at,), glasses=glasses, wander=False, surely=surely)
    page = lay_out(rig, report, report.marks[0], Lengths(feet), paper)
    drawn = render(page, "pdf" if form == "pdf" else "svg", f"{rig.rig.name}: lighting sheet")
    file.write_bytes(drawn)
    said = {"written": str(file), "mark": at, "paper": paper, "bytes": len(drawn)}
    click.echo(json.dumps(said) if as_json else f"{file} is written, for {at} on {paper} paper")


@click.command(
    epilog="""\b
Examples:
  fillside new studio.toml                     asks; an empty line takes what stands in brackets
  fillside new studio.toml --usual             asks nothing
  fillside new studio.toml --usual --answer glasses=yes --answer "key.light=105 W"
"""
)
@click.argument("rig_file", metavar="RIG.toml", type=click.Path(path_type=Path))
@click.option("--usual", is_flag=True, help="Ask nothing; take the usual for what --answer does not say.")
@click.option("--answer", "answers", multiple=True, metavar="KEY=ANSWER", help="An answer beforehand.")
@click.option("--over", is_flag=True, help="Write over a file that is there.")
@AS_JSON
def new(rig_file: Path, usual: bool, answers: tuple[str, ...], over: bool, as_json: bool) -> None:
    """A first rig file from a few questions about room, camera, lamps, modifiers and mains."""
    if rig_file.exists() and not over:
        raise WrongUse(f"{rig_file} is there already; choose another name, or say --over")
    from fillside.interfaces.cli.asking import ask_all, ask_person, given_answers
    from fillside.planning.starter_text import rig_text

    found = ask_all(given_answers(answers), ask=None if usual else ask_person)
    text = rig_text(found)
    with rig_file.open("w" if over else "x", encoding="utf-8") as file:
        file.write(text)
    following = [f"fillside {command} {rig_file}" for command in ("check", "plan", "sheet")]
    if as_json:
        click.echo(json.dumps({"written": str(rig_file), "next": following}))
    else:
        click.echo(f"{rig_file} is written. Next: {', '.join(following)}")
