"""How near a believed studio comes to the true one, and how often the intervals that are told hold.

For each true studio (`tests/truth`: a room by radiosity, lamps with hot spots that leak, any dimmers, a
window) the readings are taken, handed in as a CSV file, and made a calibration by way of its JSON. Then the
balance is solved at the mark and at places near it. An error is the true light over what the answer says,
in stops. Beside it stand how often the 95 % interval told holds it, and the median of the intervals over the
95th percentile of the errors. Run in ``tests`` with ``python -m bench.bench_belief --studios 1000``.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from fillside.balance.solution import BalanceSolver
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
from truth.studio import TrueStudio, Vector, Ways, true_studio

LEVELS = (0.55, 0.35, 0.8, 0.45, 1.0, 0.25)
QUANTITIES = ("ratio", "exposure", "face")


@dataclass
class Tally:
    """Errors [stops] of ratio, exposure and face, a row a place, and the intervals told of them."""

    errors: list[tuple[float, float, float]] = field(default_factory=list)
    told: list[tuple[float, float, float]] = field(default_factory=list)
    halves: list[float] = field(default_factory=list)
    seconds: float = 0.0


def read_room(studio: TrueStudio) -> None:
    """All heads out, toward the key, the fill and the camera."""
    studio.read({}, studio.mark.tolist(), "camera", "dome")
    for side in ("key", "fill"):
        studio.read({}, studio.mark.tolist(), side)


def plan_of(studio: TrueStudio, count: int) -> Iterator[tuple[dict[str, float], list[float], str, str]]:
    """So many readings a head, as a person takes them who knows what helps: levels, place, facing, receptor.

    At working levels and full, at the mark and a step from it, the third under the dome toward the camera.
    """
    for lamp in studio.lamps:
        for number in range(count):
            step = np.zeros(3)
            if number > 0:
                away, turn = studio.rng.uniform(0.15, 0.6), studio.rng.uniform(0, 2 * math.pi)
                step = np.array(
                    [away * math.cos(turn), away * math.sin(turn), studio.rng.uniform(-0.15, 0.15)]
                )
            facing, receptor = ("camera", "dome") if number == 2 else ("head", "flat")
            yield {lamp.name: LEVELS[number]}, (studio.mark + step).tolist(), facing, receptor


def read_plan(studio: TrueStudio, count: int) -> None:
    """Take the readings of a plan."""
    for reading in plan_of(studio, count):
        studio.read(*reading)


def read_shadows(studio: TrueStudio) -> None:
    """Each head once more, from its shadow side: facing the other lamp."""
    names = [lamp.name for lamp in studio.lamps[:2]]
    for own, other in (names, names[::-1]):
        studio.read({own: 0.7}, studio.mark.tolist(), other)


def read_asked(studio: TrueStudio, count: int) -> None:
    """So many readings in all, each the one that is asked for next."""
    rig = Rig.model_validate(studio.typed)
    for _ in range(count):
        found = believe(readings_from_csv(studio.csv(), rig) if studio.rows else (), rig)
        asked = next_reading(found)
        assert asked is not None
        one = asked.asked
        assert isinstance(one, Candidate)
        studio.read({} if one.head is None else {one.head: one.level}, one.at, one.facing, one.receptor)


def places_of(studio: TrueStudio, seed: int) -> list[Vector]:
    rng = np.random.default_rng([4, seed])
    aside = [studio.mark + np.array([*rng.uniform(-0.4, 0.4, 2), rng.uniform(-0.1, 0.1)]) for _ in range(2)]
    return [studio.mark, *aside]


def judge(studio: TrueStudio, seed: int, tally: Tally, halves: bool = False) -> None:
    """Solve in the studio as it is believed, and compare with the true one."""
    rig = Rig.model_validate(studio.typed)
    started = time.process_time()
    calibration = None
    if studio.rows:
        calibration = Calibration.model_validate_json(
            calibration_from_csv(studio.csv(), rig).model_dump_json()
        )
    tally.seconds += time.process_time() - started
    solver, target = BalanceSolver(scene(rig, calibration)), target_from_rig(rig)
    intervals = Intervals(rig, calibration)
    for place in places_of(studio, seed):
        report = intervals.of(solver.solve(place.tolist(), target).report, target)
        levels = {head.name: head.level for head in report.heads}
        ratio, exposure = studio.held(levels, place.tolist())
        said, sure = report.achieved, report.uncertainty
        if said.ratio is None or report.face.ratio is None or sure.ratio_stops is None:
            continue
        cheeks = studio.cheeks(levels, place.tolist())
        tally.errors.append(
            (
                math.log2(ratio / said.ratio),
                math.log2(exposure / said.exposure_lux),
                math.log2(cheeks / report.face.ratio),
            )
        )
        tally.told.append((sure.ratio_stops, sure.exposure_stops or 0.0, sure.face_stops or 0.0))
        if halves and getattr(report.face, "halves_ratio", None) is not None:
            tally.halves.append(math.log2(studio.halves(levels, place.tolist()) / report.face.halves_ratio))


def row(name: str, studios: int, tally: Tally) -> str:
    errors, told = np.abs(np.array(tally.errors)), np.array(tally.told)
    cells = [f"{name:34}"]
    for k, quantity in enumerate(QUANTITIES):
        median, p95 = np.median(errors[:, k]), np.percentile(errors[:, k], 95)
        covered = 100 * np.mean(errors[:, k] <= told[:, k])
        width = np.median(told[:, k]) / p95
        cells.append(f"{quantity} {median:.3f} / {p95:.3f}, holds {covered:5.1f} %, width {width:.2f}")
    if tally.halves:
        own = np.abs(tally.halves)
        cells.append(f"halves {np.median(own):.3f} / {np.percentile(own, 95):.3f}")
    cells.append(f"{1e3 * tally.seconds / studios:.0f} ms")
    return " | ".join(cells)


Reads = Callable[[TrueStudio], None]


def planned(count: int) -> Reads:
    def reads(studio: TrueStudio) -> None:
        read_room(studio)
        read_plan(studio, count)

    return reads


def asked(count: int) -> Reads:
    return lambda studio: read_asked(studio, count)


def with_shadows(studio: TrueStudio) -> None:
    read_room(studio)
    read_plan(studio, 5)
    read_shadows(studio)


def one_dome(studio: TrueStudio) -> None:
    studio.read({}, studio.mark.tolist(), "camera", "dome")
    read_plan(studio, 6)


FAMILY, ANY = Ways(), Ways(any_dimmers=True)
NO_WINDOW = replace(FAMILY, window=0.0)
CASES: Mapping[str, tuple[Ways, Reads]] = {
    "labels alone": (ANY, lambda studio: None),
    **{f"one family, {n} a head": (FAMILY, planned(n)) for n in (1, 3, 6)},
    **{f"any dimmers, {n} a head": (ANY, planned(n)) for n in (1, 3, 6)},
    **{f"any dimmers, {n} asked for": (ANY, asked(n)) for n in (4, 8, 14)},
    "no window, one family, 6 a head": (NO_WINDOW, planned(6)),
    "no window, any dimmers, 6 a head": (replace(ANY, window=0.0), planned(6)),
    "white room, 6 a head": (replace(NO_WINDOW, white=True), planned(6)),
    "white room, 5 and the shadow side": (replace(NO_WINDOW, white=True), with_shadows),
    "room unsaid, one dome reading of it": (replace(FAMILY, window=0.3, tells_room=False), one_dome),
}


def tally_of(name: str, seeds: Iterable[int], halves: bool = False) -> Tally:
    """What the studios of a case show."""
    ways, reads = CASES[name]
    tally = Tally()
    for seed in seeds:
        studio = true_studio(seed, ways)
        reads(studio)
        judge(studio, seed, tally, halves)
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--studios", type=int, default=40)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--halves", action="store_true", help="the two halves of a ball too: slow")
    parser.add_argument("cases", nargs="*", default=list(CASES), help="parts of the names of cases")
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.studios)
    for name in CASES:
        if any(part in name for part in options.cases):
            print(row(name, options.studios, tally_of(name, seeds, options.halves)), flush=True)


if __name__ == "__main__":
    main()
