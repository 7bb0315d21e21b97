"""``plan``, ``sheet`` and ``new``: before the shoot, from a rig file or from a few questions."""

from __future__ import annotations

from pathlib import Path

import click

from fillside.interfaces.cli.group import WrongUse
from fillside.interfaces.cli.offline import AS_JSON, CALIBRATION, RIG_FILE, calibration_of, rig_of

FEET = click.option("--feet", is_flag=True, help="Lengths in feet and inches. [metric]")
GLASSES = click.option("--glasses", is_flag=True, help="As if the subject wore a usual pair of spectacles.")


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
    if mark is not None and mark not in rig.marks:
        raise WrongUse(f"--mark: there is no mark {mark!r}; there is {', '.join(rig.marks)}")
    known = calibration_of(calibration)
    from fillside.interfaces.cli.planned import planned
    from fillside.interfaces.lengths import Lengths
    from fillside.planning.plan import plan_rig

    marks = None if mark is None else (mark,)
    report = plan_rig(rig, known, glasses=glasses, marks=marks)
    click.echo(report.model_dump_json() if as_json else "\n".join(planned(report, Lengths(feet), maps=maps)))
