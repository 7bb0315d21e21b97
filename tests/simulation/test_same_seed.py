"""Contract: a story is played in the same way wherever and whenever it is played."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
SEEDS = range(7_000, 7_006)
PLAY = """
import sys
sys.path.insert(0, sys.argv[1])
from simulation.rules import outcome_of, story_of
for seed in map(int, sys.argv[2:]):
    outcome = outcome_of(story_of(seed))
    print(seed, outcome.digest, outcome.steps, outcome.happened)
"""


def _played(hash_seed: str) -> str:
    words = [sys.executable, "-c", PLAY, str(TESTS), *map(str, SEEDS)]
    environ = {**os.environ, "PYTHONHASHSEED": hash_seed}
    return subprocess.run(words, env=environ, capture_output=True, text=True, check=True).stdout


def test_a_seed_gives_the_same_packets_and_journal_to_the_octet_in_two_processes() -> None:
    """Strings hash differently in the two, so that no order of a set can decide anything."""
    one, other = _played("1"), _played("2")
    assert one == other
    assert len(set(one.split("\n"))) == len(SEEDS) + 1, "each seed is another story"
