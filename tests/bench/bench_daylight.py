"""How near the light stays to what is said while the sky changes and a sensor at the window tells.

In true studios with windows (`tests/truth`) the room and each head are read while the sensor speaks. Then the
sky falls or rises by up to three stops, the sensor tells, the balance is solved at the mark and at places
near it, and the sensor tells of the light that this gives, until nothing changes. An error is the true ratio
or exposure over the one that is said, in stops, where the wish is in reach. It is unsaid where it is more
than 0.2 stop and the interval told does not hold it.

Run in ``tests`` with ``python -m bench.bench_daylight --studios 80``.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from bench.bench_belief import places_of, plan_of
from fillside.balance.report import Report
from fillside.balance.solution import BalanceSolver
from fillside.balance.target import target_from_rig
from fillside.belief.daylight import SensorLight, learned_lux, own_light
from fillside.belief.result.calibrating import calibration_from_csv
from fillside.belief.result.intervals import Intervals
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene, scene
from fillside.rig.tables.model import Rig
from truth.studio import TrueStudio, Ways, true_studio

SENSOR, OFF_STOPS, IN_REACH_STOPS = "window", 0.2, 0.1
SENSOR_NOISE_STOPS = 0.02
ROUNDS = 3
"""So often the sensor tells of the light that it led to."""


@dataclass(frozen=True)
class Case:
    """Studios, how far the skies are apart [stops]: between readings, and then; readings a head; how much of
    a change of the first window the others show."""

    ways: Ways
    reading_stops: float = 0.0
    then_stops: float = 3.0
    readings: int = 4
    alike: tuple[float, float] = (1.0, 1.0)


ONE = Ways(window=1.0, key_window=True)
ANY = Ways(window=1.0, key_window=True, any_dimmers=True)
SEVERAL = Ways(window=1.0, windows=3, any_dimmers=True)
CASES: Mapping[str, Case] = {
    "one window, 3 a head": Case(ONE, readings=3),
    "one window, any dimmers, 6 a head": Case(ANY, readings=6),
    "read under several skies": Case(ANY, reading_stops=2.0),
    "three windows, each its own sky": Case(SEVERAL, alike=(0.5, 1.2)),
    "three windows, several skies": Case(SEVERAL, reading_stops=2.0, alike=(0.5, 1.2)),
}


@dataclass
class Tally:
    """Errors [stops] of ratio and exposure where in reach, a row a place, and the intervals told of them.

    `silent` are the places where the state says that the sensor sees mostly our own light.
    """

    errors: list[tuple[float, float]] = field(default_factory=list)
    told: list[tuple[float, float]] = field(default_factory=list)
    silent: int = 0


class SkyOf:
    """Draws skies of a case: how many times as bright each window is as when the studio was drawn."""

    def __init__(self, case: Case, studio: TrueStudio, seed: int) -> None:
        self._rng = np.random.default_rng([7, seed])
        self._alike = self._rng.uniform(*case.alike, len(studio.windows))
        self._alike[0] = 1.0

    def __call__(self, apart_stops: float) -> Sequence[float]:
        stops = self._rng.uniform(-apart_stops, apart_stops)
        return np.exp2(stops * self._alike).tolist()  # type: ignore[no-any-return]


class Watched:
    """A studio with a sensor at its first window, as the rig file has it and the daemon hears it."""

    def __init__(self, studio: TrueStudio) -> None:
        place, axis = studio.sensor_place
        table = {"at": np.round(place, 2).tolist(), "facing": np.round(place + axis, 2).tolist()}
        self.rig = Rig.model_validate({**studio.typed, "sensors": {SENSOR: table}})

    def shown(self, there: TrueStudio, known: Scene, levels: Mapping[str, float]) -> SensorLight:
        """What the sensor shows, and what is worked out to be of our own heads."""
        outputs = {name: there.lamp(name).output(level) for name, level in levels.items()}
        shown = there.sensor_lux(outputs) * 2.0 ** (SENSOR_NOISE_STOPS * there.rng.standard_normal())
        at = [levels.get(name, 0.0) for name in known.names]
        believed = [
            0.0 if level == 0 else float(curve.output_from_level(level))
            for curve, level in zip(known.curves, at, strict=True)
        ]
        return SensorLight(shown, float(own_light(known, self.rig.sensors[SENSOR]) @ believed))


def calibrated(watched: Watched, studio: TrueStudio, case: Case, sky: SkyOf) -> Calibration:
    """The studio read, each reading with what the sensor shows of the room, as a file gives it."""
    mark, labels = studio.mark.tolist(), scene(watched.rig)
    room = [({}, mark, "camera", "dome"), ({}, mark, "key", "flat"), ({}, mark, "fill", "flat")]
    now = sky(case.reading_stops)
    for levels, place, facing, receptor in [*room, *plan_of(studio, case.readings)]:
        there = studio.under(now)
        there.read(levels, place, facing, receptor)
        told = watched.shown(there, labels, levels).lux_beside_a_reading
        studio.rows[-1] += "," if told is None else f",{told:.4g}"
        now = sky(case.reading_stops) if case.reading_stops else now
    first, *rows = studio.csv().splitlines()
    text = "\n".join([f"{first},daylight_lux", *rows])
    return Calibration.model_validate_json(calibration_from_csv(text, watched.rig).model_dump_json())


def judge(studio: TrueStudio, seed: int, case: Case, tally: Tally) -> None:
    """Calibrate under one sky or several, then let another come, and follow it."""
    sky, watched = SkyOf(case, studio, seed), Watched(studio)
    calibration = calibrated(watched, studio, case, sky)
    rig, known = watched.rig, scene(watched.rig, calibration)
    learned, target = learned_lux(known, calibration, SENSOR), target_from_rig(watched.rig)
    assert learned is not None, "the room was read while the sensor spoke"
    intervals = Intervals(rig, calibration)
    there = studio.under(sky(case.then_stops))
    levels, times = dict.fromkeys(known.names, 0.0), 1.0
    for place in places_of(studio, seed):
        for _ in range(ROUNDS):
            shown = watched.shown(there, known, levels)
            room = shown.room_lux
            times = times if room is None else room / learned
            found = BalanceSolver(known.with_daylight(times)).solve(place.tolist(), target).report
            levels = {head.name: head.level for head in found.heads}
        intervals.daylight, intervals.daylight_sd = times, shown.sd_stops
        if room is None:
            tally.silent += 1
        else:
            count(intervals.of(found, target), there, tally)


def count(report: Report, there: TrueStudio, tally: Tally) -> None:
    """Compare a report with the true light, if the wish is in reach."""
    said, sure = report.achieved, report.uncertainty
    if said.ratio is None or sure.ratio_stops is None or report.worst_error_stops > IN_REACH_STOPS:
        return
    levels = {head.name: head.level for head in report.heads}
    ratio, exposure = there.held(levels, report.subject)
    tally.errors.append((math.log2(ratio / said.ratio), math.log2(exposure / said.exposure_lux)))
    tally.told.append((sure.ratio_stops, sure.exposure_stops or 0.0))


def row(name: str, tally: Tally) -> str:
    errors, told = np.abs(np.array(tally.errors)), np.array(tally.told)
    cells = [f"{name:34} {len(errors)} in reach"]
    for k, quantity in enumerate(("ratio", "exposure")):
        own, sure = errors[:, k], told[:, k]
        unsaid = 100 * np.mean((own > OFF_STOPS) & (own > sure))
        worst = own[own > sure].max(initial=0.0)
        cells.append(
            f"{quantity} {np.median(own):.3f} / {np.percentile(own, 95):.3f} / {own.max():.3f}, told"
            f" {np.median(sure):.3f}, holds {100 * np.mean(own <= sure):5.1f} %, unsaid {unsaid:.1f} %"
            f" (worst {worst:.3f})"
        )
    return " | ".join([*cells, f"silent {tally.silent}"])


def tally_of(case: Case, seeds: Iterable[int]) -> Tally:
    """What the studios of a case show."""
    tally = Tally()
    for seed in seeds:
        studio = true_studio(seed, case.ways)
        if studio.windows[0].any():
            judge(studio, seed, case, tally)
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--studios", type=int, default=20)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("cases", nargs="*", default=list(CASES), help="parts of the names of cases")
    options = parser.parse_args()
    for name, case in CASES.items():
        if any(part in name for part in options.cases):
            tally = tally_of(case, range(options.first, options.first + options.studios))
            print(row(name, tally), flush=True)


if __name__ == "__main__":
    main()
