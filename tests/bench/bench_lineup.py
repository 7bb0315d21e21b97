"""What a line-up finds in true studios: a stand moved by 25 cm, a lamp 0.4 stop down, or nothing.

Each studio (`tests/truth`) is calibrated, then changed, and lined up as the routine asks: each lamp alone,
the exposure, and whatever else parts the stories. Only changes count that change the light of the head at the
mark by 0.2 stop or more. Run in ``tests`` with ``python -m bench.bench_lineup --studios 60``.
"""

from __future__ import annotations

import argparse
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.bench_belief import read_plan, read_room
from fillside.belief.result.calibrating import calibration_from_csv
from fillside.belief.since.changes import Change
from fillside.metering.routine.checks import (
    CheckReading,
    CheckResult,
    ExpectedBalance,
    check_result,
    taped_result,
)
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig
from truth.studio import TrueStudio, Ways, true_studio

WHAT = ("stand", "lamp", "nothing")
MOVED_M, DIMMED_STOPS, SEEN_STOPS = 0.25, -0.4, 0.2


@dataclass(frozen=True)
class Outcome:
    """What was done to which head, how much its light at the mark changed [stops], what was found, by how
    many questions."""

    what: str
    head: str
    stops: float
    found: tuple[Change, ...]
    asked: int
    names: tuple[str, ...]

    @property
    def right(self) -> bool:
        told = [(one.kind, self.names[one.of or 0]) for one in self.found if one.kind in ("lamp", "stand")]
        return told == ([] if self.what == "nothing" else [(self.what, self.head)])


def calibrated(seed: int, ways: Ways, count: int, checked: bool = True) -> tuple[TrueStudio, ExpectedBalance]:
    """A studio that was read so often a head, and as is asked to check it; what is expected of it then."""
    studio = true_studio(seed, ways)
    read_room(studio)
    read_plan(studio, count)
    rig = Rig.model_validate(studio.typed)
    if checked:
        for one in ExpectedBalance(rig, _printed(studio, rig), rig.start).checks(background=False):
            studio.read(one.lit, one.at, one.facing, one.receptor)
    return studio, ExpectedBalance(rig, _printed(studio, rig), rig.start)


def _printed(studio: TrueStudio, rig: Rig) -> Calibration:
    return Calibration.model_validate_json(calibration_from_csv(studio.csv(), rig).model_dump_json())


def changed(studio: TrueStudio, what: str, rng: np.random.Generator) -> tuple[TrueStudio, str]:
    name = str(rng.choice(["key", "fill"]))
    lamp, turn = studio.lamp(name), rng.uniform(0, 2 * math.pi)
    step = MOVED_M * np.array([math.cos(turn), math.sin(turn), 0.0])
    other = {
        "stand": replace(lamp, position=lamp.position + step, aim=lamp.aim + step),
        "lamp": replace(lamp, intensity_cd=lamp.intensity_cd * 2.0**DIMMED_STOPS),
        "nothing": lamp,
    }[what]
    return replace(
        studio, lamps=tuple(other if own.name == name else own for own in studio.lamps), rows=[]
    ), name


def line_up(studio: TrueStudio, held: ExpectedBalance, tape: bool) -> list[CheckResult]:
    """All that is read and, by whoever has one, taped until nothing more is asked."""
    done, without = list[CheckResult](), () if tape else ("tape key", "tape fill")
    checks = list(held.checks(background=False))
    while (check := held.to_ask(done, without) or (checks.pop(0) if checks else None)) is not None:
        done.append(answered(studio, check))
    return done


def answered(studio: TrueStudio, check: CheckReading) -> CheckResult:
    if check.what == "tape":
        held_at = np.array(check.at) + 0.01 * studio.rng.standard_normal(3)
        true_m = math.dist(studio.lamp(str(check.head)).position, held_at)
        return taped_result(check, round(true_m + studio.ways.tape_m * studio.rng.standard_normal(), 2))
    return check_result(check, studio.read(check.lit, check.at, check.facing, check.receptor))


def outcome(seed: int, what: str, ways: Ways, count: int, tape: bool = True) -> Outcome:
    studio, held = calibrated(seed, ways, count)
    after, name = changed(studio, what, np.random.default_rng([15, seed]))
    lit = {name: studio.lamp(name).output(held.levels[name])}
    before_lux, after_lux = (
        one.lux(lit, one.mark, one.toward(one.mark, name), False, ambient=False) for one in (studio, after)
    )
    done = line_up(after, held, tape)
    stops = math.log2(after_lux / before_lux)
    return Outcome(what, name, stops, held.judged(done).changes, len(done), held.scene.names)


def told(outcomes: Sequence[Outcome]) -> str:
    counting = [one for one in outcomes if one.what == "nothing" or abs(one.stops) >= SEEN_STOPS]
    right = sum(one.right for one in counting)
    asked = np.mean([one.asked for one in counting])
    wrong = Counter(
        tuple((c.kind, one.names[c.of or 0] == one.head) for c in one.found)
        for one in counting
        if not one.right
    )
    return f"{right} of {len(counting)} right, {asked:.1f} questions; wrong: {dict(wrong)}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--studios", type=int, default=20)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--readings", type=int, default=3, help="a head, when it was calibrated")
    parser.add_argument("--no-tape", dest="tape", action="store_false", help="nobody has a tape")
    parser.add_argument("what", nargs="*", default=list(WHAT))
    options = parser.parse_args()
    for what in options.what:
        for any_dimmers in (False, True):
            outcomes = [
                outcome(seed, what, Ways(any_dimmers=any_dimmers), options.readings, options.tape)
                for seed in range(options.first, options.first + options.studios)
            ]
            print(f"{what}, {'any dimmers' if any_dimmers else 'one family'}: {told(outcomes)}", flush=True)


if __name__ == "__main__":
    main()
