"""Journeys on simulated time: whatever happens to a studio, everything that must hold holds.

`python tests/simulation/run.py` plays more of them, and makes a failing one short.
"""

from __future__ import annotations

import os

import pytest

from simulation.rules import made_shorter, outcome_of, story_of

SEEDS = int(os.environ.get("FILLSIDE_SEEDS", "100"))
EACH = 20


@pytest.mark.parametrize("first", range(0, SEEDS, EACH))
def test_everything_holds_in_the_stories_of_these_seeds(first: int) -> None:
    for seed in range(first, first + EACH):
        outcome = outcome_of(story_of(seed))
        if outcome.failed is not None:
            pytest.fail(f"\n{made_shorter(outcome, most_tries=60).told()}", pytrace=False)
