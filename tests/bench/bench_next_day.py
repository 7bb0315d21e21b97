"""The next day: every lamp 0.3 stop up or down, and one new reading a head.

Each true studio (`tests/truth`) is read and checked on one day. On the next, each head is read once at the
mark as it is held. That counts in one of two ways: weighed with the readings of the day before, or as a check
by which the held light is corrected. Errors are the true ratio and exposure [stops] over the wanted ones
where those are in reach. Run in ``tests`` with ``python -m bench.bench_next_day --studios 40``.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from bench.bench_lineup import calibrated
from fillside.balance.solution import BalanceSolver
from fillside.balance.target import target_from_rig
from fillside.belief.belief import believe
from fillside.belief.evidence import Evidence, Reading
from fillside.belief.evidence_table import readings_from_csv
from fillside.belief.result.calibrating import calibration_of
from fillside.belief.since.drift import Sighting, drifts
from fillside.hold.memory.carry_over import corrected_calibration
from fillside.metering.routine.checks import ExpectedBalance
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from truth.studio import TrueStudio, Ways

DRIFTED_STOPS, MOST_CORRECTED_STOPS, DAY_S = 0.3, 0.5, 86_400.0
YESTERDAY, TODAY = "2026-02-10T09:00", "2026-02-11T09:00"

Readings = tuple[Reading, ...]
Counts = Callable[[ExpectedBalance, Readings, Readings], Calibration | None]


def drifted(studio: TrueStudio, rng: np.random.Generator) -> TrueStudio:
    lamps = tuple(
        replace(own, intensity_cd=own.intensity_cd * 2.0 ** float(rng.choice([-1, 1]) * DRIFTED_STOPS))
        for own in studio.lamps
    )
    return replace(studio, lamps=lamps, rows=[])


def as_before(held: ExpectedBalance, then: Readings, now: Readings) -> Calibration | None:
    return held.calibration


def weighed(held: ExpectedBalance, then: Readings, now: Readings) -> Calibration | None:
    old = [one.model_copy(update={"time": YESTERDAY}) for one in then]
    new = [one.model_copy(update={"time": TODAY}) for one in now]
    return calibration_of(believe(Evidence.of([*old, *new]), held.rig))


def corrected(held: ExpectedBalance, then: Readings, now: Readings) -> Calibration | None:
    found = drifts(held.belief, [Sighting(one, DAY_S) for one in now], 0.0)
    most = MOST_CORRECTED_STOPS
    by = dict(zip(held.scene.names, np.clip(-found.stops, -most, most).tolist(), strict=True))
    return corrected_calibration(held.calibration, by)


WAYS: dict[str, Counts] = {"as before": as_before, "weighed": weighed, "corrected": corrected}


def errors(seed: int, ways: Ways) -> dict[str, tuple[float, float]]:
    """Ratio and exposure over the wanted ones [stops], by the way in which the readings count."""
    studio, held = calibrated(seed, ways, 3)
    then = readings_from_csv(studio.csv(), held.rig)
    after = drifted(studio, np.random.default_rng([16, seed]))
    for check in held.checks(background=False)[:2]:
        after.read(check.lit, check.at, check.facing, check.receptor)
    now = readings_from_csv(after.csv(), held.rig)
    target, found = target_from_rig(held.rig), {}
    for name, count in WAYS.items():
        own = scene(held.rig, count(held, then, now))
        solution = BalanceSolver(own).solve(held.at, target)
        if abs(solution.report.achieved.exposure_error_stops or 1.0) > 0.05:
            continue
        levels = dict(zip(own.names, own.dimmers.levels_from_codes(solution.codes).tolist(), strict=True))
        ratio, exposure = after.held(levels, held.at)
        found[name] = math.log2(ratio / studio.ratio), math.log2(exposure / studio.exposure_lux)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--studios", type=int, default=20)
    parser.add_argument("--from", dest="first", type=int, default=0)
    options = parser.parse_args()
    for any_dimmers in (False, True):
        every = [
            errors(seed, Ways(any_dimmers=any_dimmers, window=0.0))
            for seed in range(options.first, options.first + options.studios)
        ]
        for name in WAYS:
            off = np.abs([one[name] for one in every if name in one])
            worst, p95 = off.max(axis=0), np.percentile(off, 95, axis=0)
            kind = "any dimmers" if any_dimmers else "one family"
            print(
                f"{kind}, {name}: ratio {worst[0]:.2f} / exposure {worst[1]:.2f} at worst, "
                f"{p95[0]:.2f} / {p95[1]:.2f} at the 95th percentile, of {len(off)}",
                flush=True,
            )


if __name__ == "__main__":
    main()
