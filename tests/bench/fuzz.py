"""Half a million bad inputs at every place where something comes in; nothing may fall, hang, grow or flash.

    python tests/bench/fuzz.py [--inputs 500000] [--seed 1] [--only KIND ...] [--at-a-time 2]

Inputs are dealt to the kinds by the shares below and tried in processes of their own, each with a fresh
studio, so that a process that hangs or dies is one fault among others. Printed is a line for each kind, then
what fell, each way once with its first input. Ends with 1 where anything did.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from protocol.wild.kinds import KINDS
from protocol.wild.trial import Fault, Tally, trial

STUCK_S = 30.0
"""An input that takes so long hangs; the process says where, and ends."""
ENDS_WITHIN_S = 1200.0


def shards(number: int, chosen: list[str]) -> list[tuple[str, int, int]]:
    """For each process the kind, a number that is its own, and how many inputs it tries."""
    whole = sum(KINDS[name].share for name in chosen)
    found = []
    for name in chosen:
        left, kind = round(number * KINDS[name].share / whole), KINDS[name]
        while left > 0:
            some = min(left, kind.at_once)
            found.append((name, len(found), some))
            left -= some
    return found


def in_its_own_process(name: str, own: int, inputs: int, seed: int) -> Tally:
    """Try one shard, whatever becomes of its process."""
    command = [sys.executable, __file__, "--shard", name, str(own), str(inputs), "--seed", str(seed)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=ENDS_WITHIN_S)
        told = done.stdout.rpartition("TALLY ")[2] if "TALLY " in done.stdout else ""
        said = f"{done.stdout[-2000:]}\n{done.stderr[-6000:]}"
    except subprocess.TimeoutExpired as error:
        told, said = "", str(error)
    if not told:
        tally = Tally()
        tally.fell("the process died or hung", said, " ".join(command[2:]))
        return tally
    found = json.loads(told)
    faults = {key: Fault(**fault) for key, fault in found.pop("faults").items()}
    return Tally(**{**found, "became": Counter(found["became"])}, faults=faults)


def shard(name: str, own: int, inputs: int, seed: int) -> None:
    with tempfile.TemporaryDirectory(prefix="fillside-fuzz-") as folder:
        kind = KINDS[name]
        tally = asyncio.run(trial(kind.open, Path(folder), seed * 1_000_003 + own, inputs, stuck_s=STUCK_S))
    faults = {key: vars(fault) for key, fault in tally.faults.items()}
    print("TALLY " + json.dumps({**vars(tally), "faults": faults}))


def joined(tallies: list[Tally]) -> Tally:
    found = Tally()
    for each in tallies:
        found.inputs += each.inputs
        found.became += each.became
        found.peak_mb = max(found.peak_mb, each.peak_mb)
        if each.slowest_s > found.slowest_s:
            found.slowest_s, found.slowest = each.slowest_s, each.slowest
        for key, fault in each.faults.items():
            found.faults.setdefault(key, Fault(fault.said, fault.first)).times += fault.times
    return found


def told(name: str, tally: Tally, took_s: float) -> str:
    became = dict(tally.became)
    accepted, refused = became.pop("accepted", 0), became.pop("refused", 0)
    rest = "".join(f", {word} {count}" for word, count in sorted(became.items()))
    return (
        f"{name:10} {tally.inputs:7d} inputs: accepted {accepted}, refused {refused}{rest}; "
        f"slowest {tally.slowest_s:.2f} s, grew by {tally.peak_mb:.0f} MB at most, "
        f"{sum(fault.times for fault in tally.faults.values())} faults; {took_s:.0f} s"
    )


def run(number: int, seed: int, chosen: list[str], at_a_time: int) -> dict[str, Tally]:
    """Try everything, and print a line for each kind as it is done."""
    began_s, found = time.monotonic(), {}
    with ThreadPoolExecutor(at_a_time) as pool:
        jobs = {
            name: [
                pool.submit(in_its_own_process, *each, seed)
                for each in shards(number, chosen)
                if each[0] == name
            ]
            for name in chosen
        }
        for name in chosen:
            found[name] = joined([job.result() for job in jobs[name]])
            print(told(name, found[name], time.monotonic() - began_s), flush=True)
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--inputs", type=int, default=500_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=sorted(KINDS), default=list(KINDS))
    parser.add_argument("--at-a-time", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--slowest", action="store_true", help="show the slowest input of each kind")
    parser.add_argument("--shard", nargs=3, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.shard:
        shard(given.shard[0], int(given.shard[1]), int(given.shard[2]), given.seed)
        return 0
    found = run(given.inputs, given.seed, given.only, given.at_a_time)
    for name, tally in found.items():
        if given.slowest:
            print(f"\nslowest of {name}: {tally.slowest}")
        for key, fault in tally.faults.items():
            print(f"\n{name}, {fault.times} times: {key}\nfirst by {fault.first}\n{fault.said}")
    print(f"{sum(tally.inputs for tally in found.values())} inputs in all", flush=True)
    return int(any(tally.faults for tally in found.values()))


if __name__ == "__main__":
    sys.exit(main())
