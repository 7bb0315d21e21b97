"""Contract: a story is played in the same way wherever and whenever it is played."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

from simulation.rules import story_of

TESTS = Path(__file__).resolve().parents[1]
SEEDS = (20, 21, 22, 23, 24, 7_000, 7_001, 7_003, 300_005, 300_010)
"""Rigs with a broker (20, 24, 7 000, 7 001, 300 005, 300 010) and without; a power cut amid metering."""
PLAY = """
import sys
sys.path.insert(0, sys.argv[1])
from simulation.rules import outcome_of, story_of
for seed in map(int, sys.argv[2:]):
    outcome = outcome_of(story_of(seed))
    print(seed, outcome.digest, outcome.steps, outcome.happened)
"""


def _playing(hash_seed: str, seeds: Iterable[int]) -> subprocess.Popen[str]:
    words = [sys.executable, "-c", PLAY, str(TESTS), *map(str, seeds)]
    environ = {**os.environ, "PYTHONHASHSEED": hash_seed}
    return subprocess.Popen(words, env=environ, stdout=subprocess.PIPE, text=True)


def _played(process: subprocess.Popen[str]) -> list[str]:
    told, _ = process.communicate()
    assert process.returncode == 0
    return sorted(told.splitlines())


def test_a_seed_gives_the_same_packets_and_journal_to_the_octet_in_two_processes() -> None:
    """Strings hash differently in the two, and each story has others before it: neither decides anything."""
    one, other = _playing("1", SEEDS), _playing("2", reversed(SEEDS))
    lines = _played(one)
    assert _played(other) == lines
    assert len({line.split()[1] for line in lines}) == len(SEEDS), "each seed is another story"


def test_some_of_these_seeds_have_a_broker() -> None:
    assert {"mqtt"} <= {table["kind"] for seed in SEEDS for table in story_of(seed).rig["drivers"].values()}
