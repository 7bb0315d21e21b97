"""Plays stories, seed by seed, and tells the shortest of each that fails.

    python tests/simulation/run.py                    a hundred seeds
    python tests/simulation/run.py --from 5000 --seeds 2000 --hands 2
    python tests/simulation/run.py --on               until stopped by Ctrl-C, from a new place each time
    python tests/simulation/run.py --seed 4711        one, told whether it fails or not
    python tests/simulation/run.py --story FILE       a story that was written to a file

What fails is written to `--into DIR` as JSON, for a named test. The exit status is 1 if any story failed.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections import Counter
from collections.abc import Iterator
from itertools import count
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from simulation.rules import made_shorter, outcome_of, story_of
from simulation.stories import Story
from simulation.world import Outcome

REPORTS_EVERY_S = 60.0


def played(seed: int) -> Outcome:
    """Play the story of a seed."""
    return outcome_of(story_of(seed))


class Tally:
    """What was played so far."""

    def __init__(self) -> None:
        self.began_s, self.stories, self.simulated_s = time.monotonic(), 0, 0.0
        self.acts: Counter[str] = Counter()
        self.failed: Counter[str] = Counter()

    def count(self, outcome: Outcome) -> None:
        self.stories += 1
        self.simulated_s += outcome.story.lasts_s
        self.acts.update(act.kind for act in outcome.story.acts)
        if outcome.failed is not None:
            self.failed[outcome.failed] += 1

    def __str__(self) -> str:
        took_s = time.monotonic() - self.began_s
        failed = ", ".join(f"{rule} {number}" for rule, number in self.failed.most_common()) or "none"
        acts = ", ".join(f"{kind} {number}" for kind, number in self.acts.most_common())
        return (
            f"{self.stories} stories of {self.simulated_s / 60:.0f} minutes in all, in {took_s:.0f} s "
            f"({self.simulated_s / max(took_s, 1e-9):.0f} times as fast as life)\n"
            f"acts: {acts}\nfailed: {failed}"
        )


def outcomes(seeds: Iterator[int], hands: int) -> Iterator[Outcome]:
    """Play seeds on some processes, in their order."""
    if hands == 1:
        yield from map(played, seeds)
        return
    with multiprocessing.get_context("spawn").Pool(hands, maxtasksperchild=200) as pool:
        yield from pool.imap(played, seeds)


def tell(outcome: Outcome, into: Path | None) -> None:
    """Make a failing story shorter, and tell it."""
    shorter = made_shorter(outcome)
    found = shorter if shorter.failed is not None else outcome
    print(f"\n{found.told()}\n", flush=True)
    if into is not None:
        into.mkdir(parents=True, exist_ok=True)
        path = into / f"{outcome.failed}-{outcome.story.seed}.json".replace(" ", "-")
        path.write_text(found.story.as_json() + "\n", "utf-8")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--story", type=Path)
    parser.add_argument("--on", action="store_true")
    parser.add_argument("--hands", type=int, default=1)
    parser.add_argument("--into", type=Path)
    given = parser.parse_args()
    if given.seed is not None or given.story is not None:
        story = (
            story_of(given.seed) if given.story is None else Story.from_json(given.story.read_text("utf-8"))
        )
        outcome = outcome_of(story)
        print(outcome.told())
        return int(outcome.failed is not None)
    first = int(time.time()) if given.on else given.first
    seeds = count(first) if given.on else iter(range(first, first + given.seeds))
    tally, reported_s = Tally(), time.monotonic()
    try:
        for outcome in outcomes(seeds, given.hands):
            tally.count(outcome)
            if outcome.failed is not None:
                tell(outcome, given.into)
            if time.monotonic() - reported_s > REPORTS_EVERY_S:
                reported_s = time.monotonic()
                print(tally, flush=True)
    except KeyboardInterrupt:
        pass
    print(tally)
    return int(bool(tally.failed))


if __name__ == "__main__":
    raise SystemExit(main())
