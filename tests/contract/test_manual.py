"""Contract: the manual's tables of commands, routes and orders are what the code does."""

from __future__ import annotations

import re
from collections.abc import Collection
from pathlib import Path

import fillside.cli
from fillside.cli.table import COMMANDS
from fillside.doors.http.app import ROUTES
from fillside.doors.http.responses import STATUS_OF_CODE
from fillside.doors.osc.addresses import ADDRESSES
from fillside.orders.key_phrases import PHRASES
from fillside.orders.registry import ORDERS
from manual_text import PAGES, README, ROOT
from manual_text import table as table_of

CLI = Path(fillside.cli.__file__).parent
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")

NEEDS = {
    "nothing": "nothing",
    "once": "a token for once",
    "look": "to look",
    "order": "to order",
    "operate": "to operate",
}


def table(page: str, name: str) -> list[list[str]]:
    """The cells of a table of the manual, without the marks of code at their ends."""
    return [[cell.strip("`") for cell in row] for row in table_of(PAGES[page], name)]


def test_the_commands() -> None:
    assert table("orders", "commands") == [
        [f"fillside {name}", entry.does] for name, entry in COMMANDS.items()
    ]


def _without_patterns(path: str) -> str:
    return re.sub(r"{(\w+):[^}]*}", r"{\1}", path)


def test_the_routes() -> None:
    expected = [
        [f"{route.method} {_without_patterns(route.path)}", NEEDS[route.needs], route.says]
        for route in ROUTES
    ]
    assert table("http", "routes") == expected


def test_the_codes_of_a_refusal() -> None:
    assert table("http", "codes") == [[code, str(status)] for code, status in STATUS_OF_CODE.items()]


def test_the_orders() -> None:
    assert table("orders", "orders") == [[word, kind.help] for word, kind in ORDERS.items()]


def orders_of_the_command_line() -> set[str]:
    """The orders that its sources say, by hand or as a command of the same name."""
    sources = "".join(path.read_text("utf-8") for path in CLI.rglob("*.py"))
    return set(re.findall(r'"do": "(\w+)"', sources)) | set(COMMANDS)


def test_which_door_takes_which_order() -> None:
    by_osc = {address.path.split("/")[0] for address in ADDRESSES}
    typed = orders_of_the_command_line()

    def yes(word: str, known: Collection[str], otherwise: str = "–") -> str:
        return "yes" if word in known else otherwise

    assert table("orders", "doors") == [
        [word, "yes", yes(word, typed), yes(word, by_osc, "by `do"), yes(word, PHRASES)] for word in ORDERS
    ]


def test_modules_that_contributors_are_sent_to_are_there() -> None:
    """Named with or without the folder, which the sentence may have given before."""
    there = [path.relative_to(ROOT).as_posix() for path in ROOT.glob("*/**/*.py")]
    named = set(re.findall(r"`([\w/]+\.py)`", DEVELOPERS))
    assert len(named) > 40
    assert {name for name in named if not any(f"/{path}".endswith(f"/{name}") for path in there)} == set()


def test_every_dependency_has_its_reason() -> None:
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    extras = [item for group in project["optional-dependencies"].values() for item in group]
    reasons = DEVELOPERS.partition("## Why each dependency")[2]
    for requirement in [*project["dependencies"], *extras]:
        name = re.split(r"[<>=\[ ]", requirement)[0]
        assert name in reasons, name


def test_the_test_command_is_the_one_that_machines_run() -> None:
    command = next(line for line in README.splitlines() if "tests/check.py" in line)
    assert command in (ROOT / ".ci" / "run").read_text("utf-8").splitlines()
