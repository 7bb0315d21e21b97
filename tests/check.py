"""The one check, for people and machines alike: style, types, then every test.

    python tests/check.py              all of it
    python tests/check.py tests/reference -k disc    all checks, but only those tests

Each part runs even when one before it failed, so that one run tells everything; the tests come last, four at
a time where none are chosen.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
AT_A_TIME = ("-n", "4", "--dist", "worksteal")
"""Four on two cores, as the longest tests mostly wait; whoever is done takes from who is not."""
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
"""The tests start Fillside some two hundred times, and each would compile all of it."""
PARTS = (
    ("style", ("ruff", "check")),
    ("format", ("ruff", "format", "--check")),
    ("types", ("mypy",)),
    ("tests", ("pytest",)),
)


def main(chosen_tests: list[str]) -> int:
    """Run all parts and return 0 only when all are clean."""
    failed = []
    compiling = None if chosen_tests else compile_tests()
    for name, (module, *arguments) in PARTS:
        more = (chosen_tests or AT_A_TIME) if module == "pytest" else ()
        if module == "pytest" and compiling is not None:
            compiling.wait()
        print(f"== {name}: {' '.join((module, *arguments, *more))}", flush=True)
        if subprocess.run(
            [sys.executable, "-m", module, *arguments, *more], cwd=ROOT, env=ENVIRONMENT, check=False
        ).returncode:
            failed.append(name)
    if failed:
        print(f"not clean: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


def compile_tests() -> subprocess.Popen[bytes]:
    """Collect the tests once, beside style and types, so that not each of four has to compile them."""
    return subprocess.Popen(
        [sys.executable, "-m", "pytest", "--collect-only"],
        cwd=ROOT,
        env=ENVIRONMENT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
