"""``new``: a first rig file from a few questions, one line each."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shlex
import tempfile
import textwrap
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from fillside.cli.files import check_writable
from fillside.cli.group import Failure, WrongUse
from fillside.cli.parameters import AS_JSON, FEET
from fillside.planning.answers.lengths import UnitsError
from fillside.planning.answers.question import Answers, Meaning, Question
from fillside.planning.answers.typed_line import normalize, slug
from fillside.planning.starter.questions import QUESTIONS, add_answer, cautions_after, next_question
from fillside_drivers.plain_files import new_file_mode

COMMANDS = {
    "check": "what was understood, and what to mind",
    "run": "hold it, and show it on a page",
    "plan": "which ratios it allows, how the light looks",
    "sheet": "pages to build it from",
}
"""The next commands, in the order of a first hour."""
IN_FEET = ("check", "plan", "sheet")
"""The commands that write lengths, in feet and inches with --feet."""
WIDTH = 98
Ask = Callable[[Question, Answers], str]
"""Asks a question and returns the typed line."""
Print = Callable[[str], None]

OPENING = (
    "Enter takes what stands in brackets, ? says what may be answered, back goes back a question, "
    "Ctrl-C leaves and writes nothing. "
    "Lengths as you like: 2.4 m, 170 cm, 5'6\"; after one in feet the rest is in feet too."
)
BACK = ("back", "b", "<", "undo")


@click.command(
    epilog="""\b
Examples:
  fillside new studio.toml                     asks; Enter takes what stands in brackets
  fillside new studio.toml --feet              in feet and inches from the first question on
  fillside new studio.toml --usual             asks nothing
  fillside new studio.toml --usual --answer glasses=yes --answer "key.lamp=tungsten 650 W"
"""
)
@click.argument("rig_file", metavar="RIG.toml", type=click.Path(path_type=Path))
@click.option("--usual", is_flag=True, help="Ask nothing; take the usual for what --answer does not say.")
@click.option("--answer", "answers", multiple=True, metavar="KEY=ANSWER", help="An answer beforehand.")
@click.option("--over", is_flag=True, help="Write over a file that is there.")
@FEET
@AS_JSON
def new(rig_file: Path, usual: bool, answers: tuple[str, ...], over: bool, feet: bool, as_json: bool) -> None:
    """A first rig file from a few questions about room, camera, lamps, stands and wires."""
    _check_target(rig_file, over)

    given = given_answers(answers)
    if not usual:
        say(OPENING)
    initial = {"usual_name": slug(rig_file.stem, "studio"), "feet": feet}
    try:
        found = Interview(given, None if usual else prompt_line, say, initial).all()
    except click.Abort:
        click.echo("\nNothing is written.", err=True)
        raise
    from fillside.planning.starter.rig_text import rig_text

    _write(rig_file, rig_text(found))
    following = _following(rig_file, bool(found.get("feet")))
    if as_json:
        result = {"written": str(rig_file), "next": list(following.values()), "kind": found.get("driver")}
        click.echo(json.dumps(result))
        return
    width = max(map(len, following.values()))
    click.echo(f"{rig_file} is written. Next:")
    for command, line in following.items():
        click.echo(f"  {line:<{width}}  {COMMANDS[command]}")
    click.echo("\n".join(textwrap.wrap(_first_run(found), WIDTH, break_on_hyphens=False)))


def _following(rig_file: Path, feet: bool) -> dict[str, str]:
    """Return the lines to type next, by their commands, in the person's units."""
    lines = {command: f"fillside {command} {shlex.quote(str(rig_file))}" for command in COMMANDS}
    return {
        command: f"{line} --feet" if feet and command in IN_FEET else line for command, line in lines.items()
    }


def say(line: str) -> None:
    """Print a remark to stderr, where the prompts are; wrapped lines keep its indentation."""
    indent = " " * (len(line) - len(line.lstrip(" !")))
    wrapped = textwrap.wrap(line, WIDTH, subsequent_indent=indent, break_on_hyphens=False)
    click.echo("\n".join(wrapped), err=True)


def _check_target(rig_file: Path, over: bool) -> None:
    """Check the target file before the first question rather than after the last."""
    if rig_file.is_dir():
        raise WrongUse(f"{rig_file} is a folder; name a file in it, such as {rig_file / 'studio.toml'}")
    check_writable(rig_file)
    if rig_file.exists() and not over:
        raise WrongUse(f"{rig_file} is there already; choose another name, or say --over")
    if not rig_file.parent.is_dir():
        raise WrongUse(f"{rig_file}: there is no folder {rig_file.parent}")
    if not os.access(rig_file.parent, os.W_OK):
        raise Failure(f"{rig_file}: the folder {rig_file.parent} may not be written in")


def _write(rig_file: Path, text: str) -> None:
    """Write the whole file, or nothing if the text cannot be parsed again."""
    from fillside.rig.problems import RigError
    from fillside.rig_file import load_rig

    target = rig_file.resolve()
    handle, beside = tempfile.mkstemp(prefix=f".{target.name}-", dir=target.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
        load_rig(Path(beside))
        os.chmod(beside, new_file_mode())
        os.replace(beside, target)
    except RigError as error:
        why = str(error).removeprefix(f"{beside}:")
        raise Failure(f"nothing is written, as these answers do not go together: {why}") from error
    finally:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(beside)


def _first_run(found: Mapping[str, Any]) -> str:
    from fillside.planning.starter.rig_text import REHEARSAL_HINT

    kind = found.get("driver")
    if kind is None:
        return "No lamp in it may be dimmed, so nothing can be held until one is exchanged for one that may."
    if kind == "sim":
        return "Its lamps are simulated. Open the address that run prints; other terminals take orders."
    return f"To rehearse first, without the lamps, {REHEARSAL_HINT}, and back when they are up."


def is_help(line: str) -> bool:
    """Return whether a line asks for the possible answers."""
    return re.fullmatch(r"\s*(?:\?+|help\s*[?!.]*)\s*", line, re.IGNORECASE) is not None


def given_answers(pairs: Sequence[str]) -> dict[str, str]:
    """Parse answers given beforehand, as KEY=ANSWER. Raises WrongUse."""
    keys = [question.key for question in QUESTIONS]
    found: dict[str, str] = {}
    for pair in pairs:
        key, equals, answer = pair.partition("=")
        if not equals:
            raise WrongUse(f"--answer: {pair!r} is not such as glasses=yes")
        if key.strip() not in keys:
            raise WrongUse(f"--answer: there is no question {key.strip()!r}; there is {', '.join(keys)}")
        found[key.strip()] = answer.strip()
    return found


def prompt_line(question: Question, answers: Answers) -> str:
    """Read one line from the terminal, empty for Enter alone."""
    prompt = f"{question.prompt(answers)} [{question.default_for(answers)}]"
    line: str = click.prompt(prompt, default="", show_default=False, err=True)
    return line


class Interview:
    """Asks the questions in turn, each again until its answer is understood.

    Questions answered in `given` are not asked. Without `ask`, no question is asked and the rest take their
    defaults.
    """

    def __init__(
        self, given: Mapping[str, str], ask: Ask | None, print_line: Print, initial: Answers
    ) -> None:
        self.given, self.ask, self.print_line = dict(given), ask, print_line
        self.answers: dict[str, Any] = dict(initial)
        self._before: list[dict[str, Any]] = []
        self._topics: set[str] = set()

    def all(self) -> dict[str, Any]:
        """Return the answers to every question. Raises WrongUse for a bad one given beforehand."""
        while (question := next_question(self.answers)) is not None:
            if question.key in self.given or self.ask is None:
                self._take_given(question)
            else:
                self._ask(question, self.ask)
        return self.answers

    def _take_given(self, question: Question) -> None:
        """Take the answer given beforehand; ask for a bad one again if a person is there."""
        try:
            meaning = question.meaning(self.given.get(question.key, ""), self.answers)
        except ValueError as error:
            if self.ask is None:
                raise WrongUse(f"--answer: {question.key}: {error}") from error
            self.print_line(f"  --answer: {question.key}: {error}")
            del self.given[question.key]
        else:
            self._take(question, meaning)

    def _ask(self, question: Question, ask: Ask) -> None:
        line = ask(question, self.answers)
        if is_help(line):
            self.print_line(f"  {question.help_text}")
            return
        if normalize(line) in BACK:
            if self._before:
                self.answers = self._before.pop()
            return
        try:
            meaning = question.meaning(line, self.answers)
        except UnitsError as units:
            self.answers["feet"] = units.feet
            self.print_line(f"  {units}")
        except ValueError as error:
            self.print_line(f"  {error}")
        else:
            self._before.append(dict(self.answers))
            self._take(question, meaning)

    def _take(self, question: Question, meaning: Meaning) -> None:
        self.answers = add_answer(self.answers, question, meaning, self.given)
        if meaning.note:
            self.print_line(f"  {meaning.note}")
        if self.ask is not None:
            self._warn(question)

    def _warn(self, question: Question) -> None:
        """Print the cautions of an answer, each once however many heads it concerns."""
        role = question.key.partition(".")[0]
        for caution in cautions_after(question.key, self.answers):
            topic = caution.replace(role, "")
            if topic not in self._topics:
                self._topics.add(topic)
                self.print_line(f"  ! {caution}")
