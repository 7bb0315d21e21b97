"""Contract: what the README says is what the code does; its tables are compared, its links exist."""

from __future__ import annotations

import re
from collections.abc import Collection
from pathlib import Path

import pytest

import fillside.cli
from fillside.cli.table import COMMANDS
from fillside.doors.http.app import ROUTES
from fillside.doors.osc.addresses import ADDRESSES
from fillside.orders.answers import STATUS_OF_CODE
from fillside.orders.key_phrases import PHRASES
from fillside.orders.registry import ORDERS

CLI = Path(fillside.cli.__file__).parent
ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")

NEEDS = {
    "nothing": "nothing",
    "once": "a token for once",
    "look": "to look",
    "order": "to order",
    "operate": "to operate",
}


def table(name: str) -> list[list[str]]:
    """The cells of the table between two markers of the README, without its heading."""
    body = README.partition(f"<!-- {name} -->")[2].partition(f"<!-- /{name} -->")[0]
    rows = [line.strip("|").split("|") for line in body.strip().splitlines()]
    return [[cell.strip().strip("`") for cell in row] for row in rows[2:]]


def test_the_commands() -> None:
    assert table("commands") == [[f"fillside {name}", entry.does] for name, entry in COMMANDS.items()]


def _without_patterns(path: str) -> str:
    return re.sub(r"{(\w+):[^}]*}", r"{\1}", path)


def test_the_routes() -> None:
    expected = [
        [f"{route.method} {_without_patterns(route.path)}", NEEDS[route.needs], route.says]
        for route in ROUTES
    ]
    assert table("routes") == expected


def test_the_codes_of_a_refusal() -> None:
    assert table("codes") == [[code, str(status)] for code, status in STATUS_OF_CODE.items()]


def test_the_orders() -> None:
    assert table("orders") == [[word, kind.help] for word, kind in ORDERS.items()]


def orders_of_the_command_line() -> set[str]:
    """The orders that its sources say, by hand or as a command of the same name."""
    sources = "".join(path.read_text("utf-8") for path in CLI.rglob("*.py"))
    return set(re.findall(r'"do": "(\w+)"', sources)) | set(COMMANDS)


def test_which_door_takes_which_order() -> None:
    by_osc = {address.path.split("/")[0] for address in ADDRESSES}
    typed = orders_of_the_command_line()

    def yes(word: str, known: Collection[str], otherwise: str = "–") -> str:
        return "yes" if word in known else otherwise

    assert table("doors") == [
        [word, "yes", yes(word, typed), yes(word, by_osc, "by `do"), yes(word, PHRASES)] for word in ORDERS
    ]


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_files_that_are_linked_are_there(text: str) -> None:
    for link in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / link).exists(), link


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
