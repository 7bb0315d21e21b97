"""How much the tests notice: puts small faults into rooms of the product, and counts what no test tells of.

    python tests/mutation/run.py photometry packet --sample 80 --seed 3
    python tests/mutation/run.py service/fillside/balance/solver/rounding.py
    python tests/mutation/run.py                      every mutant of every room: for a night

No file is changed. It is ours since libraries pass over properties and cached functions, a fifth
of some rooms here, and know neither two source roots nor samples. A survivor is a promise that no test holds,
which wants a test, or a change that makes no difference to anybody.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections import Counter, defaultdict
from dataclasses import dataclass
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from mutation.mutants import Mutant, mutants_of  # noqa: E402
from mutation.trials import Trials  # noqa: E402

SERVICE, DRIVERS = "service/fillside", "drivers/fillside_drivers"


@dataclass(frozen=True)
class Room:
    """Modules, and the fast tests that may tell of a fault in them: patterns for what follows `test_`."""

    modules: str
    tests: str

    @property
    def patterns(self) -> list[str]:
        """The files of those tests, under `tests`."""
        return [f"*/test_{word}.py" for word in self.tests.split()]


ROOMS = {
    "photometry": Room(
        f"{SERVICE}/photometry/**/*.py",
        "photometr* *room_light window_light white_mixing ball_halves rig_numbers rig_scene "
        "one_level_or_many planning_softness planning_colour planning_face flash_limits tunable_white "
        "stated_curve sim_light",
    ),
    "packet": Room(f"{DRIVERS}/sacn/packet.py", "sacn_octets sacn_packet sacn_s[co]*"),
    "access": Room(f"{SERVICE}/access/*.py", "access passes bounds"),
    "storage": Room(
        f"{SERVICE}/storage/**/*.py",
        "storage* stored_rows takes bounds acknowledged damaged_* light_stored",
    ),
    "balance": Room(
        f"{SERVICE}/balance/**/*.py",
        "balance_* joint_rounding remedies verdict kept_supply black_background spared_face tunable_white "
        "rig_check ball_halves room_light_told rig_numbers_any_size any_legal_rig dead_band expose "
        "hold_modes",
    ),
    "hold": Room(
        f"{SERVICE}/hold/**/*.py",
        "hold_* flash_limits dead_band lamps_going_out undo_after_restart wanted wire_news status_words "
        "changed_wires tunable_white spared_face verdict expose",
    ),
    "belief": Room(
        f"{SERVICE}/belief/**/*.py",
        "belief_[!ia]* evidence_* uncertainty learned_curve stated_curve fit_told lineup_verdict",
    ),
}


def modules_of(room: Room) -> list[Path]:
    """Return the files of a room."""
    return [path for path in sorted(ROOT.glob(room.modules)) if path.name != "__init__.py"]


def tests_of(room: Room) -> list[Path]:
    """Return the test files of a room, and its modules for their examples."""
    return modules_of(room) + sorted(
        {path for pattern in room.patterns for path in (ROOT / "tests").glob(pattern)}
    )


def chosen(names: list[str], sample: int | None, seed: int) -> tuple[list[Mutant], list[Path]]:
    """Return the mutants of rooms or files, so many of each at most, and the files with their tests.

    Raises KeyError for a file that is in no room.
    """
    mutants, tests = [], []
    for name in names:
        file = (ROOT / name).resolve()
        room = ROOMS.get(name) or next((r for r in ROOMS.values() if file in modules_of(r)), None)
        if room is None:
            raise KeyError(name)
        files = modules_of(room) if name in ROOMS else [file]
        found = [mutant for path in files for mutant in mutants_of(path, path.read_text("utf-8"))]
        if sample is not None and sample < len(found):
            picked = Random(f"{seed} {name}").sample(range(len(found)), sample)
            found = [found[number] for number in sorted(picked)]
        mutants += found
        tests += tests_of(room)
    return mutants, sorted(set(tests))


def import_module(path: Path) -> None:
    """Import a module of the product, so that its functions are there before the first fork."""
    root = next(root for root in (ROOT / "service", ROOT / "drivers") if root in path.parents)
    module = importlib.import_module(".".join(path.relative_to(root).with_suffix("").parts))
    if module.__file__ != str(path):
        raise ImportError(f"{path} is not what Python imports: {module.__file__}")


class Tally:
    """Verdicts of each module; a survivor is told at once."""

    def __init__(self) -> None:
        self.verdicts: defaultdict[str, Counter[str]] = defaultdict(Counter)

    def tell(self, mutant: Mutant, verdict: str) -> None:
        """Count a verdict."""
        where = mutant.path.relative_to(ROOT).as_posix()
        self.verdicts[where][verdict] += 1
        if verdict in {"survived", "unreached"}:
            line = mutant.path.read_text("utf-8").splitlines()[mutant.line - 1].strip()
            print(f"{verdict} {where}:{mutant.line}  {line}\n    {mutant}", flush=True)

    def lines(self) -> list[str]:
        """Return the table."""
        rows = [f"{'module':60} {'mutants':>8} {'killed':>8} {'survived':>8} {'score':>8}"]
        total: Counter[str] = Counter()
        for where, verdicts in sorted(self.verdicts.items()):
            rows.append(self._row(where, verdicts))
            total += verdicts
        return [*rows, self._row("all", total)]

    @staticmethod
    def _row(name: str, verdicts: Counter[str]) -> str:
        killed = verdicts["killed"] + verdicts["timeout"]
        survived = verdicts["survived"] + verdicts["unreached"]
        score = f"{killed / (killed + survived):.0%}" if killed + survived else "-"
        return f"{name:60} {killed + survived:8} {killed:8} {survived:8} {score:>8}"


def main() -> int:
    """Try the mutants that the command line asks for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", nargs="*", metavar="ROOM|FILE", help=", ".join(ROOMS))
    parser.add_argument("--sample", type=int, help="so many mutants of each at most, drawn at random")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--within", type=float, default=60.0, help="seconds of tests for each, fastest first")
    asked = parser.parse_args()
    try:
        mutants, tests = chosen(asked.names or list(ROOMS), asked.sample, asked.seed)
    except KeyError as exc:
        parser.error(f"{exc.args[0]} is no room, nor a module of one")
    for path in {mutant.path for mutant in mutants}:
        import_module(path)
    tally = Tally()
    trials = Trials(mutants, tally.tell, asked.within)
    with TemporaryDirectory() as folder:
        os.chdir(folder)  # a faulty name is no file of ours
        options = ["-n0", "-s", "-qq", "--no-header", "-o", "timeout=0", "-p", "no:cacheprovider"]
        places = ["-c", str(ROOT / "pyproject.toml"), "--rootdir", str(ROOT), "--basetemp", f"{folder}/tests"]
        pytest.main([*options, *places, *map(str, tests)], [trials])
    print(trials.trouble, *tally.lines(), sep="\n")
    return 1 if trials.trouble else 0


if __name__ == "__main__":
    sys.exit(main())
