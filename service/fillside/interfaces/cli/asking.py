"""Asking a person the questions of a first rig, one line each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import click

from fillside.interfaces.cli.group import WrongUse
from fillside.planning.questions import QUESTIONS, Question

Ask = Callable[[Question, Mapping[str, Any]], Any]


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


def ask_all(given: Mapping[str, str], ask: Ask | None) -> dict[str, Any]:
    """Every question answered: by what was given, else by asking, else (without `ask`) as usual."""
    answers: dict[str, Any] = {}
    for question in QUESTIONS:
        if not question.when(answers):
            continue
        if question.key not in given and ask is not None:
            answers[question.key] = ask(question, answers)
            continue
        try:
            answers[question.key] = question.take(given.get(question.key, ""), answers)
        except ValueError as error:
            raise WrongUse(f"--answer: {question.key}: {error}") from error
    return answers


def ask_person(question: Question, answers: Mapping[str, Any]) -> Any:
    """One answer from the terminal, asked again until it can be."""
    usual = question.default_for(answers)
    while True:
        line: str = click.prompt(question.asks, default=usual, show_default=True, err=True)
        try:
            return question.take(line, answers)
        except ValueError as error:
            click.echo(f"  {error}", err=True)
