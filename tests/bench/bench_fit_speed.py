"""Time of a fit of eight heads with twelve readings each, clean and with one slip in eight, beside scipy.

The peer is `scipy.optimize.least_squares` (trf, differences) on the same misfit from the same start, with
every reading believed: what one would write first. Printed are processor seconds and their ratio. Run in
``tests`` with ``python -m bench.bench_fit_speed``.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares

from bench.simulated_studio import MARK, Hidden, HiddenStudio, direction, hidden_head, studio
from fillside.belief.belief import Belief, believe
from fillside.belief.evidence import Reading
from fillside.belief.evidence_table import readings_from_csv
from fillside.belief.observations import stops
from fillside.belief.result.calibrating import calibration_of
from fillside.rig.tables.model import Rig

OTHERS = (
    ("key2", "key"),
    ("fill2", "fill"),
    ("top", "hair"),
    ("rim", "hair"),
    ("edge", "hair"),
    ("side", "hair"),
)
LEVELS = (1.0, 0.45, 1.0, 0.7, 0.25, 1.0, 0.5, 0.85, 0.35, 0.6, 0.15, 0.95)
STEPS_M = (0.0, 0.0, 0.6, 0.0, 0.0, -0.4, 0.2, -0.2, 0.4, -0.4, 0.0, 0.3)


def eight_heads(slips: int) -> HiddenStudio:
    """A studio of eight heads, metered twelve times each, with so many readings off by a stop."""
    base, rng = studio(1), np.random.default_rng(5)
    heads = list(base.heads)
    for k, (name, role) in enumerate(OTHERS):
        place = MARK + rng.uniform(1.4, 2.0) * direction(45.0 * k, 20.0)
        heads.append(replace(hidden_head(rng, Hidden(), name, place, 2000.0), role=role))
    hidden = replace(base, heads=tuple(heads), taken=[], spoilt={})
    for number in rng.choice(len(heads) * len(LEVELS), slips, replace=False):
        hidden.spoilt[3 + int(number)] = float(rng.choice([-1.0, 1.0]))
    hidden.read_ambient()
    for head in hidden.heads:
        for level, step in zip(LEVELS, STEPS_M, strict=True):
            hidden.read({head.name: level}, (MARK + step * head.axis).tolist())
    return hidden


def by_peer(found: Belief) -> None:
    """The same question, put to scipy."""
    problem, model = found.problem, found.model
    sd = np.sqrt(np.diag(problem.noise))

    def misfit(z: np.ndarray) -> np.ndarray:
        lux = model.lux(model.figures(z), problem.seen.quantities)
        return np.concatenate([(problem.seen.stops - stops(lux)) / sd, z])

    least_squares(misfit, np.zeros(model.size), max_nfev=60)


def main() -> None:
    for slips in (0, 12):
        hidden = eight_heads(slips)
        rig = Rig.model_validate(hidden.rig_table())
        readings: tuple[Reading, ...] = readings_from_csv(hidden.csv(), rig)
        times = []
        started = time.process_time()
        found = believe(readings, rig)
        times.append(time.process_time() - started)
        for work in (lambda f=found: calibration_of(f), lambda f=found: by_peer(f)):
            started = time.process_time()
            work()
            times.append(time.process_time() - started)
        wrong = set(np.flatnonzero(found.wrong).tolist()) ^ set(hidden.spoilt)
        print(
            f"{len(readings)} readings, {slips} slips ({len(wrong)} taken wrongly): fit {times[0]:.2f} s, "
            f"figures and next reading {times[1]:.2f} s, peer {times[2]:.2f} s, "
            f"ratio {times[0] / times[2]:.2f}"
        )


if __name__ == "__main__":
    main()
