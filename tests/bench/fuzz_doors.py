"""Wild input for the MQTT, Homie and OSC doors, a hundred thousand each; by hand, it takes some minutes.

    python tests/bench/fuzz_doors.py [--number 100000] [--seed 1]

Every answer must have a code there is, every refusal must leave the studio as it was, nothing may be logged
as a fault; the first thing that breaks this is shown, with what was sent.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from protocol.garbage import FUZZERS, watched
from protocol.studio import running


async def fuzz(door: str, number: int, seed: int) -> None:
    """Fuzz one door of a fresh studio, and say what came of it."""
    with tempfile.TemporaryDirectory() as folder:
        async with running(Path(folder)) as up:
            began_s = time.perf_counter()
            with watched(up) as watch:
                await FUZZERS[door](up, watch, random.Random(seed), number)
            took_s = time.perf_counter() - began_s
    told = ", ".join(f"{code} {count}" for code, count in sorted(watch.counts.items()))
    print(f"{door}: {number} inputs in {took_s:.0f} s; {told}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--number", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for door in FUZZERS:
        asyncio.run(fuzz(door, given.number, given.seed))


if __name__ == "__main__":
    main()
