"""A question of the first rig: its text, default and reader, and the meaning of an answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from fillside.planning.answers.typed_line import UNSURE_ANSWERS, normalize


@dataclass(frozen=True)
class Meaning:
    """The meaning of an answer: its value, a note that reads it back, and answers to other questions.

    `extra` has the other answers by their keys; a head's own reader uses keys without the head's role.
    """

    value: Any
    note: str = ""
    extra: Mapping[str, Any] = field(default_factory=dict)


Answers = Mapping[str, Any]
"""The answers so far by question key, as the readers return them; `first_set` types complete ones."""
AnswerReader = Callable[[str, Answers], Meaning]


def always(_: Answers) -> bool:
    return True


@dataclass(frozen=True)
class Question:
    """One question: key, text, reader, default for an empty line, one line of help, and condition."""

    key: str
    text: str | Callable[[Answers], str]
    reader: AnswerReader
    default: str | Callable[[Answers], str]
    help_text: str
    applies: Callable[[Answers], bool] = always

    def prompt(self, answers: Answers) -> str:
        """Return the question's text, given the answers before it."""
        return self.text if isinstance(self.text, str) else self.text(answers)

    def default_for(self, answers: Answers) -> str:
        """Return the answer that an empty line stands for, given the answers before it."""
        return self.default if isinstance(self.default, str) else self.default(answers)

    def meaning(self, line: str, answers: Answers) -> Meaning:
        """Return the meaning of a line; raises ValueError with one plain sentence for an unusable one.

        A line that leaves the choice open counts as empty, unless the question itself can read it.
        """
        if not line.strip():
            return self._default_meaning(answers)
        try:
            return self.reader(line, answers)
        except ValueError:
            if normalize(line) not in UNSURE_ANSWERS:
                raise
        return Meaning(
            self._default_meaning(answers).value,
            f"taken as {self.default_for(answers)}",
            self._default_meaning(answers).extra,
        )

    def _default_meaning(self, answers: Answers) -> Meaning:
        usual = self.reader(self.default_for(answers), answers)
        return Meaning(usual.value, "", {key: value for key, value in usual.extra.items() if key != "feet"})


def uses_feet(answers: Answers) -> bool:
    """Return true if lengths are given in feet and inches."""
    return bool(answers.get("feet"))
