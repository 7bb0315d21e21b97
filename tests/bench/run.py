"""Runs the benches that have figures, and prints every figure beside its floor and its budget.

    python tests/bench/run.py [--quick] [--json FILE] [NAME...]

NAME is a bench such as `sacn`, for `bench_sacn.py`; without one, all run that have figures. Ctrl-C ends the
measuring and keeps the figures so far. A floor is what
the same work takes a bare peer in the same run. A budget is kept or not, and neither ends this with an error:
on a machine that is shared, a figure over its budget says little.
"""

from __future__ import annotations

import argparse
import importlib
import json
import sys
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from bench.figures import Budget, Figure  # noqa: E402 - found by the line above

Figures = Callable[[bool], list[Figure]]
HEADINGS = ("figure", "value", "floor", "over it", "budget", "kept", "peer")


def benches() -> list[str]:
    """The names of the benches that have figures, as files say: none of the others is imported."""
    files = sorted(HERE.glob("bench_*.py"))
    return [file.stem.removeprefix("bench_") for file in files if "\ndef figures(" in file.read_text("utf-8")]


def figures_of(name: str) -> Figures:
    found: Figures = importlib.import_module(f"bench.bench_{name}").figures
    return found


def budgets() -> dict[str, Budget]:
    """All budgets, by the names of their figures."""
    modules = [importlib.import_module(f"bench.bench_{name}") for name in benches()]
    return {name: budget for module in modules for name, budget in module.BUDGETS.items()}


def number_text(number: float, unit: str) -> str:
    """A number with its unit, to four digits at least.

    >>> number_text(1.25, "ms"), number_text(392_612.3, "µs")
    ('1.25 ms', '392,612 µs')
    """
    return f"{number:,.0f} {unit}" if abs(number) >= 1000 else f"{number:.4g} {unit}"


def row(figure: Figure) -> tuple[str, ...]:
    """One line of the table.

    >>> row(Figure("answer", 3.0, "ms", floor=1.25, peer="echo", allowance=2.5))
    ('answer', '3 ms', '1.25 ms', '1.75 ms', '2.5 ms', 'yes', 'echo')
    >>> row(Figure("answer, size", 1500, "octets"))
    ('answer, size', '1,500 octets', '', '', '', '', '')
    """

    def shown(number: float | None) -> str:
        return "" if number is None else number_text(number, figure.unit)

    over = None if figure.floor is None else figure.over
    kept = {None: "", True: "yes", False: "NO"}[figure.is_within]
    numbers = (figure.value, figure.floor, over, figure.allowance)
    return (figure.name, *map(shown, numbers), kept, figure.peer)


def table(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for each in rows:
        yield "  ".join(f"{text:{width}}" for text, width in zip(each, widths, strict=True)).rstrip()


def as_json(figures: Sequence[Figure]) -> str:
    found = [{**asdict(each), "over": each.over, "is_within": each.is_within} for each in figures]
    return json.dumps({"figures": found}, indent=1) + "\n"


def main() -> None:
    names = benches()
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="fewer turns: some seconds for each bench")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there too")
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(names))
    chosen = parser.parse_args()
    if unknown := [name for name in chosen.names if name not in names]:
        parser.error(f"there is no bench {unknown[0]!r} with figures; there is {', '.join(names)}")
    found: list[Figure] = []
    left = list(chosen.names or names)
    failed = []
    # An interrupt ends the measuring, and the figures so far are still told.
    with suppress(KeyboardInterrupt):
        while left:
            print(f"{left[0]} ...", file=sys.stderr, flush=True)
            try:
                found += figures_of(left[0])(chosen.quick)
            except Exception:  # what one bench cannot measure here keeps no other figures back
                traceback.print_exc()
                failed.append(left[0])
            del left[0]
    print(*table([HEADINGS, *map(row, found)]), sep="\n")
    if chosen.json is not None:
        chosen.json.write_text(as_json(found), "utf-8")
    if failed or left:
        sys.exit(f"not measured: {', '.join([*failed, *left])}")


if __name__ == "__main__":
    main()
