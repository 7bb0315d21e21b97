"""Readings and minutes that a guided calibration takes until its light is good enough, in true studios.

Each studio (`tests/truth`) is asked of from nothing. Before every question the balance is solved as it is
believed and its intervals are looked up at the mark; once they are within the goals, the guide says so. What
is told then is held against the truth, at the mark and at places near it. Minutes are by the table of
`belief/questions/times.py`. Run in ``tests`` with ``python -m bench.bench_questions --studios 40``.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from bench.bench_belief import ANY, FAMILY, Tally, judge
from fillside.balance.target import target_from_rig
from fillside.belief.belief import Belief, believe
from fillside.belief.evidence_table import readings_from_csv
from fillside.belief.questions.candidates import Candidate
from fillside.belief.questions.next_reading import next_reading
from fillside.belief.questions.times import QuestionTimes
from fillside.belief.result.expected_levels import ExpectedLevels, plain_calibration
from fillside.belief.result.intervals import Intervals
from fillside.rig.tables.model import Rig
from truth.studio import TrueStudio, Ways, true_studio

GOALS = {"all": (0.2, 0.2, 0.3), "ratio": (0.2, 9.0, 9.0)}
"""Expanded uncertainties [stops] of ratio, exposure and face that are good enough."""
MOST = 24
WHITE = replace(ANY, window=0.0, white=True)
CASES: Mapping[str, Ways] = {"one family": FAMILY, "any dimmers": ANY, "white room": WHITE}


@dataclass
class Asked:
    """Readings and minutes until each goal was told, of studios where it was, and until the guide ended."""

    readings: dict[str, list[float]] = field(default_factory=lambda: {goal: [] for goal in GOALS})
    minutes: dict[str, list[float]] = field(default_factory=lambda: {goal: [] for goal in GOALS})
    ended: list[float] = field(default_factory=list)
    ended_minutes: list[float] = field(default_factory=list)
    tally: Tally = field(default_factory=Tally)
    slowest_s: float = 0.0


def told(found: Belief) -> tuple[float, float, float]:
    """The intervals that are told at the mark [stops]."""
    rig = found.rig
    levels = ExpectedLevels(found).at(rig.first_mark)
    sure = Intervals(rig, plain_calibration(found), found).at(
        rig.first_mark, levels.tolist(), (levels > 0).tolist(), target_from_rig(rig)
    )
    one = sure.uncertainty
    return one.ratio_stops or 9.0, one.exposure_stops or 9.0, one.face_stops or 9.0


def is_seen(found: Belief) -> bool:
    """Whether there is a reading of every head, and one with all of them out."""
    return found.was_read.all() and not all(reading.heads for reading in found.readings)


def ask(studio: TrueStudio, seed: int, kept: Asked, says: bool = False) -> None:
    """Ask until it is good enough, and judge what is told then."""
    rig = Rig.model_validate(studio.typed)
    seconds, done = 0.0, set[str]()
    for count in range(MOST + 1):
        found = believe(readings_from_csv(studio.csv(), rig) if studio.rows else (), rig)
        now = told(found)
        started = time.process_time()
        asked = next_reading(found)
        kept.slowest_s = max(kept.slowest_s, time.process_time() - started)
        assert asked is not None
        for goal in GOALS.keys() - done:
            if is_seen(found) and all(own <= most for own, most in zip(now, GOALS[goal], strict=True)):
                done.add(goal)
                kept.readings[goal].append(count)
                kept.minutes[goal].append(seconds / 60)
        if asked.enough or count == MOST:
            kept.ended.append(count)
            kept.ended_minutes.append(seconds / 60)
            break
        one = asked.asked
        assert isinstance(one, Candidate)
        last = found.readings[-1] if found.readings else None
        seconds += float(QuestionTimes.of([one], rig).after_reading(last)[0])
        if says:
            print(f"  {seconds / 60:5.1f} min {np.round(now, 2)} {one} to come {asked.to_come}")
        studio.read({} if one.head is None else {one.head: one.level}, one.at, one.facing, one.receptor)
    judge(studio, seed, kept.tally)


def row(name: str, kept: Asked) -> str:
    cells = [f"{name:14}"]
    studios = len(kept.ended)
    for goal in GOALS:
        readings, minutes = kept.readings[goal], kept.minutes[goal]
        cells.append(
            f"{goal} good: {np.median(readings):.0f} readings (90 %: {np.percentile(readings, 90):.0f}), "
            f"{np.median(minutes):.1f} min, in {len(readings)} of {studios}"
        )
    cells.append(
        f"ended: {np.median(kept.ended):.0f} readings (90 %: {np.percentile(kept.ended, 90):.0f}, most "
        f"{max(kept.ended)}), {np.median(kept.ended_minutes):.1f} min (90 %: "
        f"{np.percentile(kept.ended_minutes, 90):.1f})"
    )
    errors, told_stops = np.abs(np.array(kept.tally.errors)), np.array(kept.tally.told)
    for k, quantity in enumerate(("ratio", "exposure", "face")):
        holds = 100 * np.mean(errors[:, k] <= told_stops[:, k])
        cells.append(
            f"{quantity} {np.median(errors[:, k]):.3f} / {np.percentile(errors[:, k], 95):.3f}, "
            f"worst {errors[:, k].max():.2f}, told {np.median(told_stops[:, k]):.2f}, holds {holds:.1f} %"
        )
    cells.append(f"slowest choice {1e3 * kept.slowest_s:.0f} ms")
    return "\n    ".join(cells)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--studios", type=int, default=20)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--says", action="store_true", help="every question")
    parser.add_argument("cases", nargs="*", default=list(CASES), help="parts of the names of cases")
    options = parser.parse_args()
    for name, ways in CASES.items():
        if not any(part in name for part in options.cases):
            continue
        kept = Asked()
        for seed in range(options.first, options.first + options.studios):
            if options.says:
                print(f"{name}, studio {seed}")
            ask(true_studio(seed, ways), seed, kept, options.says)
        print(row(name, kept), flush=True)


if __name__ == "__main__":
    main()
