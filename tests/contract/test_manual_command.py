"""Contract: `fillside manual` lists every page, prints each as text that fits, and says what is near."""

from __future__ import annotations

import json
import re

import click
import pytest
from click.shell_completion import ShellComplete

from contract.test_command_line import status
from fillside.cli import group
from fillside.cli.commands import manual
from fillside.manual import pages
from manual_text import PAGES, README, table

SHELL = ShellComplete(group.fillside, {}, "fillside", "_FILLSIDE_COMPLETE")


def printed(capsys: pytest.CaptureFixture[str], *args: str) -> str:
    assert status("manual", *args) == 0
    return capsys.readouterr().out


def words(text: str) -> list[str]:
    return re.findall(r"\w+", text)


def test_it_lists_every_page_as_the_readme_does(capsys: pytest.CaptureFixture[str]) -> None:
    listed = [line.split()[0] for line in printed(capsys).split("\n\n")[0].splitlines() if line[0] != " "]
    assert listed == [re.findall(r"/([\w-]+)\.md", read)[0] for _, read in table(README, "manual")]
    assert sorted(listed) == list(PAGES)
    as_json = json.loads(printed(capsys, "--json"))
    assert [one["name"] for one in as_json] == listed
    assert all(one["title"] and one["summary"] for one in as_json)


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_printed_whole_and_fits(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = printed(capsys, name)
    assert "<!--" not in text
    assert "](" not in text
    source = re.sub(r"\]\([^)\s]*\)|<!--.*?-->|```\w*|\*\*", "", PAGES[name])
    assert not set(words(source)) - set(words(text))
    code = re.findall(r"(?m)^ {4,}.*$", text)
    assert all(len(line) <= manual.WIDEST or line in code for line in text.splitlines())
    assert json.loads(printed(capsys, name, "--json"))["text"].startswith("# ")


@pytest.mark.parametrize("width", [manual.NARROWEST, 57, 80])
def test_text_takes_the_width_there_is(width: int) -> None:
    text = manual.plain_text(pages.manual()["wires"].text, width)
    prose = [line for line in text.splitlines() if not line.startswith("    ") and line[:1] not in "-="]
    assert max(map(len, prose)) <= width
    assert [cell for cell in words(text) if cell == "sync_address"]


@pytest.mark.parametrize(
    ("name", "near"),
    [
        ("wire", "did you mean wires?"),
        ("rigfile", "did you mean rig-file?"),
        ("proxy", "it is in access"),
        ("sacn", "it is in wires"),
        ("zebra", "`fillside manual` lists them all"),
        ("\x1b[2J", "`fillside manual` lists them all"),
    ],
)
def test_a_page_that_is_not_there_is_one_line_with_what_is_near(
    name: str, near: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status("manual", name) == 2
    assert capsys.readouterr().err == f"fillside: there is no page {name!r}; {near}\n"


def test_what_steers_is_shown_to_a_pager_too(monkeypatch: pytest.MonkeyPatch) -> None:
    paged: list[str] = []
    monkeypatch.setattr(click, "echo_via_pager", paged.append)
    page = pages.ManualPage("wires", "# Wi\x1b[31mres\n\nAll of them.\n\nMore\u202e.\n")
    monkeypatch.setattr(manual, "pages_of_manual", lambda: {"wires": page})
    assert status("manual", "wires") == 0
    assert paged == ["Wi\\u001b[31mres\n" + "=" * 10 + "\n\nAll of them.\n\nMore\\u202e.\n"]


def test_a_shell_completes_the_pages() -> None:
    assert [one.value for one in SHELL.get_completions(["manual"], "wi")] == ["wires"]
    assert [one.value for one in SHELL.get_completions(["manual"], "")] == list(pages.NAMES)


def test_lists_tables_and_code_keep_their_shape() -> None:
    markdown = (
        "# T\n\nOne **line**.\n- a [b](wires.md#c) and more words\n- d\n\n"
        "| k | v |\n| --- | --- |\n| `x` | one two three four five six seven eight |\n\n```sh\nrun  it\n```\n"
    )
    assert manual.plain_text(markdown, 40).split("\n\n") == [
        "T\n=",
        "One line.",
        "- a b (`fillside manual wires`) and more\n  words",
        "- d",
        "k  v\n-  -------------------------------------\nx  one two three four five six seven\n   eight",
        "    run  it",
    ]
