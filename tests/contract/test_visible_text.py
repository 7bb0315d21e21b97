"""Contract: text that came from elsewhere is shown at a terminal and in logs, and never steers either."""

from __future__ import annotations

import io
import json
import logging
import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillside.cli.group import run
from fillside.cli.terminal import TerminalScreen, escaped_output
from fillside.daemon.logs import _Plain
from fillside.text import numbers
from fillside.text.escapes import escape_controls, escape_to_one_line

DESK = Path(__file__).parents[2] / "config" / "desk.toml"
EVIL = "a\x1b[2J\x9b31m\x07\x7f\u202eb\u2066c\u2028d"
SHOWN = r"a\u001b[2J\u009b31m\u0007\u007f\u202eb\u2066c\u2028d"


@given(st.text())
def test_nothing_that_steers_is_left_and_all_else_stays(text: str) -> None:
    for shown, kept in ((escape_controls(text), "\n\t"), (escape_to_one_line(text), "")):
        left = [c for c in shown if unicodedata.category(c) == "Cc" or unicodedata.bidirectional(c) in BIDI]
        assert set(left) <= set(kept)
        assert json.loads(f'"{shown}"') == text if text.isalnum() else True
    assert escape_to_one_line(text).splitlines() in ([], [escape_to_one_line(text)])


BIDI = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}


def test_an_escape_in_json_stays_json() -> None:
    assert json.loads(escape_controls(json.dumps({"note": EVIL}, ensure_ascii=False))) == {"note": EVIL}


def test_a_command_shows_what_it_was_given(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        run(["fit", str(DESK), f"{EVIL}.csv"])
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert r"\u009b31m\u0007\u007f\u202eb\u2066c" in said
    assert not {"\x1b", "\x9b", "\u202e"} & set(said)


def test_a_cell_of_a_table_forges_no_line() -> None:
    assert numbers.table([["note", "x"], [f"one\ntwo{EVIL}", "y"]])[1].startswith(rf"one\u000atwo{SHOWN}")


def test_our_own_drawing_still_steers(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, "utf-8"))
    with escaped_output():
        TerminalScreen().draw([EVIL])
        print("\r  Again", EVIL, flush=True)
    drawn = raw.getvalue().decode()
    assert drawn.startswith("\x1b[?25l\ra\\u001b[2J")
    assert drawn.endswith(f"\x1b[J\r  Again {SHOWN}\n")


def test_a_message_of_the_log_is_one_line() -> None:
    record = logging.LogRecord("fillside", logging.WARNING, "", 0, "source %s", (f"{EVIL}\nforged",), None)
    assert _Plain("%(message)s").format(record) == rf"fillside: warning: source {SHOWN}\u000aforged"
