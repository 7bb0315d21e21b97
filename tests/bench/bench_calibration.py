"""How near a calibrated rig comes to the wanted ratio and exposure in studios whose truth is hidden from it.

For each studio the readings are taken, fitted through the CSV file and the printed calibration, and levels
solved at random places within 0.75 m of the mark; the error is the true ratio (and exposure) over the wanted.
Beside it stand an estimator that knows family and ranges (``--knowing``, slow), and the least error any
estimator can have with the same readings (``--bound``, slow too). Covered is how often the 95 % interval of
ratio and exposure holds the truth. Run in
``tests`` with ``python -m bench.bench_calibration --studios 200``.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from bench.knowing_estimator import Knowing, least_sd, levels_held
from bench.simulated_studio import (
    Hidden,
    HiddenStudio,
    Vector,
    held_errors_stops,
    places,
    read_fixed_plan,
    studio,
)
from fillside.balance.limits import limits_of
from fillside.balance.rows import Metering
from fillside.balance.solver.solve import solve
from fillside.balance.solver.supply import supply_of
from fillside.balance.target import target_from_rig
from fillside.belief.belief import believe
from fillside.belief.evidence_table import readings_from_csv
from fillside.belief.questions.candidates import Candidate
from fillside.belief.questions.next_reading import next_reading
from fillside.belief.result.calibrating import calibration_from_csv
from fillside.belief.result.intervals import Intervals
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

ORACLE_FIXED = {1: (0.23, 0.76), 2: (0.065, 0.21), 3: (0.055, 0.185), 6: (0.038, 0.11)}
"""Median and 95th percentile [stops] of an estimator that knows family and ranges, with the fixed plan."""


@dataclass
class Tally:
    """Errors [stops] of ratio and exposure, one pair a place, the intervals told of them, and what else goes
    with them."""

    errors: list[tuple[float, float]] = field(default_factory=list)
    told: list[tuple[float, float]] = field(default_factory=list)
    least: list[tuple[float, float]] = field(default_factory=list)
    knowing: list[tuple[float, float]] = field(default_factory=list)
    seconds: float = 0.0


def read_asked_plan(hidden: HiddenStudio, count: int) -> None:
    """As many readings as asked for, `count` a head in all, each the one the tool wants next."""
    rig = Rig.model_validate(hidden.rig_table())
    for _ in range(count * len(hidden.heads)):
        found = believe(readings_from_csv(hidden.csv(), rig) if hidden.taken else (), rig)
        asked = next_reading(found)
        if asked is None:
            raise RuntimeError("nothing is asked for")
        one = asked.asked
        if not isinstance(one, Candidate):
            raise RuntimeError("a tape is asked for")
        hidden.read({} if one.head is None else {one.head: one.level}, one.at, one.facing, one.receptor)


def calibrated_levels(rig: Rig, calibration: Calibration, spots: list[Vector]) -> Iterator[dict[str, float]]:
    """The levels that hold the rig's balance at each spot."""
    believed = scene(rig, calibration)
    metering, wish, limits = Metering(believed), target_from_rig(rig), limits_of(believed)
    for spot in spots:
        outputs = solve(supply_of(metering, metering.rows_at(spot.tolist()), limits), wish).outputs
        pairs = zip(believed.names, believed.curves, outputs.tolist(), strict=True)
        yield {name: curve.level_from_output(output) for name, curve, output in pairs}


def told_stops(
    intervals: Intervals, rig: Rig, place: Vector, levels: Mapping[str, float]
) -> tuple[float, float]:
    """The expanded uncertainties of ratio and exposure that people are told of levels at a place [stops]."""
    sent = [levels[head.name] for head in rig.heads]
    said = intervals.at(place.tolist(), sent, [level > 0 for level in sent], target_from_rig(rig)).uncertainty
    if said.ratio_stops is None or said.exposure_stops is None:
        raise RuntimeError("a held light has both")
    return said.ratio_stops, said.exposure_stops


def judge(hidden: HiddenStudio, truth: Hidden, seed: int, tally: Tally, options: argparse.Namespace) -> None:
    """One studio, metered: fit, solve at random places, compare with the truth."""
    rig = Rig.model_validate(hidden.rig_table())
    started = time.perf_counter()
    calibration = Calibration.model_validate_json(calibration_from_csv(hidden.csv(), rig).model_dump_json())
    tally.seconds += time.perf_counter() - started
    intervals, knowing = Intervals(rig, calibration), Knowing(hidden, truth)
    spots = places(hidden, options.places, seed)
    guess = knowing.fit() if options.knowing else None
    for spot, levels in zip(spots, calibrated_levels(rig, calibration, spots), strict=True):
        tally.errors.append(held_errors_stops(hidden, spot, levels))
        tally.told.append(told_stops(intervals, rig, spot, levels))
        if options.bound:
            tally.least.append(least_sd(knowing, spot, levels))
        if guess is not None:
            tally.knowing.append(held_errors_stops(hidden, spot, levels_held(guess, spot)))


def row(plan: str, count: int, studios: int, tally: Tally) -> str:
    errors, told = np.array(tally.errors), np.array(tally.told)
    size = np.abs(errors)
    cells = [f"{plan:6} {count}"]
    for k in range(2):
        covered = 100 * np.mean(size[:, k] <= told[:, k])
        median, p95 = np.median(size[:, k]), np.percentile(size[:, k], 95)
        cells.append(f"{median:.3f} / {p95:.3f}  covered {covered:4.1f} %")
    if tally.knowing:
        known = np.abs(tally.knowing)
        cells.append(
            "knowing "
            + ", ".join(
                f"{np.median(known[:, k]):.3f} / {np.percentile(known[:, k], 95):.3f}" for k in range(2)
            )
        )
    if tally.least:
        over = np.sqrt(np.mean(errors**2, axis=0) / np.mean(np.square(tally.least), axis=0))
        cells.append(f"rms over bound {over[0]:.2f}, {over[1]:.2f}")
    cells.append(f"{1e3 * tally.seconds / studios:.0f} ms a fit")
    return " | ".join(cells)


def slip(hidden: HiddenStudio, before: int, count: int, seed: int) -> None:
    """Spoil one reading in eight, at least one, by a stop."""
    rng = np.random.default_rng([8, seed])
    total = count * len(hidden.heads)
    for number in rng.choice(total, max(1, round(total / 8)), replace=False):
        hidden.spoilt[before + int(number)] = float(rng.choice([-1.0, 1.0]))


def run(plan: str, count: int, options: argparse.Namespace) -> str:
    tally = Tally()
    truth = Hidden(hand_m=options.hand, bounce=(0.0, options.bounce), tells_ambient=options.ambient == "told")
    for seed in range(options.first, options.first + options.studios):
        hidden = studio(seed, truth)
        if options.ambient == "read":
            hidden.read_ambient()
        if options.slips:
            slip(hidden, len(hidden.taken), count, seed)
        (read_fixed_plan if plan == "fixed" else read_asked_plan)(hidden, count)
        judge(hidden, truth, seed, tally, options)
    return row(plan, count, options.studios, tally)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--studios", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="number of the first studio")
    parser.add_argument("--places", type=int, default=4, help="places in each studio")
    parser.add_argument("--plans", nargs="+", default=["fixed", "asked"], choices=["fixed", "asked"])
    parser.add_argument("--counts", nargs="+", type=int, default=[1, 2, 3, 6], help="readings a head")
    parser.add_argument("--ambient", default="read", choices=["read", "told", "none"])
    parser.add_argument("--hand", type=float, default=0.0, help="sd of the hand on each axis [m]")
    parser.add_argument("--bounce", type=float, default=0.0, help="most of a head's light that comes back")
    parser.add_argument("--slips", action="store_true", help="one reading in eight off by a stop")
    parser.add_argument("--knowing", action="store_true")
    parser.add_argument("--bound", action="store_true")
    options = parser.parse_args()
    print(f"{options.studios} studios, ambient {options.ambient}, hand {100 * options.hand:g} cm,", end=" ")
    print(f"bounce to {100 * options.bounce:g} %{', one in eight off by a stop' if options.slips else ''}")
    print("plan, readings a head | ratio error median / p95 [stops] | exposure error")
    for plan in options.plans:
        for count in options.counts:
            print(run(plan, count, options), flush=True)
            if plan == "fixed" and count in ORACLE_FIXED:
                print("         elsewhere, knowing: {:.3f} / {:.3f}".format(*ORACLE_FIXED[count]))


if __name__ == "__main__":
    main()
