"""Asking a person the questions of a first rig, one line each."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import click

from fillside.cli.group import WrongUse
from fillside.planning.answers.lengths import UnitsError
from fillside.planning.answers.question import Answers, Meaning, Question
from fillside.planning.answers.typed_line import normalize
from fillside.planning.starter.questions import QUESTIONS, add_answer, cautions_after, next_question

Ask = Callable[[Question, Answers], str]
"""Puts a question and returns the line that was typed."""
Says = Callable[[str], None]

OPENING = (
    "Enter takes what stands in brackets, ? says what may be answered, back goes back a question, "
    "Ctrl-C leaves and writes nothing. "
    "Lengths as you like: 2.4 m, 170 cm, 5'6\"; after one in feet the rest is in feet too."
)
BACK = ("back", "b", "<", "undo")


def asks_what(line: str) -> bool:
    """Whether somebody asks what may be answered."""
    return re.fullmatch(r"\s*(?:\?+|help\s*[?!.]*)\s*", line, re.IGNORECASE) is not None


def given_answers(pairs: Sequence[str]) -> dict[str, str]:
    """What was answered beforehand, as KEY=ANSWER."""
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
    """One line from the terminal, empty where only Enter was pressed."""
    shown = f"{question.prompt(answers)} [{question.default_for(answers)}]"
    line: str = click.prompt(shown, default="", show_default=False, err=True)
    return line


class Interview:
    """The questions put one after the other, each again until its answer is understood.

    Questions that are answered in `given` are not put; without `ask` none is, and each takes its default.
    """

    def __init__(self, given: Mapping[str, str], ask: Ask | None, says: Says, known: Answers) -> None:
        self.given, self.ask, self.says = dict(given), ask, says
        self.answers: dict[str, Any] = dict(known)
        self._before: list[dict[str, Any]] = []
        self._shown: set[str] = set()

    def all(self) -> dict[str, Any]:
        """The answers to every question; WrongUse for one given beforehand that cannot be."""
        while (question := next_question(self.answers)) is not None:
            if question.key in self.given or self.ask is None:
                self._take_given(question)
            else:
                self._put(question, self.ask)
        return self.answers

    def _take_given(self, question: Question) -> None:
        """Take the answer given beforehand; one that cannot be is asked for where somebody is there."""
        try:
            meaning = question.meaning(self.given.get(question.key, ""), self.answers)
        except ValueError as error:
            if self.ask is None:
                raise WrongUse(f"--answer: {question.key}: {error}") from error
            self.says(f"  --answer: {question.key}: {error}")
            del self.given[question.key]
        else:
            self._take(question, meaning)

    def _put(self, question: Question, ask: Ask) -> None:
        line = ask(question, self.answers)
        if asks_what(line):
            self.says(f"  {question.help_text}")
            return
        if normalize(line) in BACK:
            if self._before:
                self.answers = self._before.pop()
            return
        try:
            meaning = question.meaning(line, self.answers)
        except UnitsError as units:
            self.answers["feet"] = units.feet
            self.says(f"  {units}")
        except ValueError as error:
            self.says(f"  {error}")
        else:
            self._before.append(dict(self.answers))
            self._take(question, meaning)

    def _take(self, question: Question, meaning: Meaning) -> None:
        self.answers = add_answer(self.answers, question, meaning, self.given)
        if meaning.note:
            self.says(f"  {meaning.note}")
        if self.ask is not None:
            self._warn(question)

    def _warn(self, question: Question) -> None:
        """The cautions of what was answered, each once however many heads it is of."""
        role = question.key.partition(".")[0]
        for caution in cautions_after(question.key, self.answers):
            topic = caution.replace(role, "")
            if topic not in self._shown:
                self._shown.add(topic)
                self.says(f"  ! {caution}")
