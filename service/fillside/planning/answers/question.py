"""One question of those from which a first rig file is written: its words, its default, how it is read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from fillside.planning.answers.typed_line import UNSURE_ANSWERS, normalize


@dataclass(frozen=True)
class Meaning:
    """What a line means: the answer, how it was read where that is worth saying, and what else it answers.

    `also` has other answers by their keys; within one head's questions the keys are those of the head.
    """

    value: Any
    note: str = ""
    extra: Mapping[str, Any] = field(default_factory=dict)


Answers = Mapping[str, Any]
AnswerReader = Callable[[str, Answers], Meaning]


def always(_: Answers) -> bool:
    return True


@dataclass(frozen=True)
class Question:
    """One question: its key and words, how a line is read, what an empty one means, what may be answered
    (one line, for somebody who asks), when it is asked."""

    key: str
    wording: str | Callable[[Answers], str]
    reader: AnswerReader
    default: str | Callable[[Answers], str]
    help_text: str
    applies: Callable[[Answers], bool] = always

    def prompt(self, answers: Answers) -> str:
        """The question as it is put, given the answers before it."""
        return self.wording if isinstance(self.wording, str) else self.wording(answers)

    def default_for(self, answers: Answers) -> str:
        """What an empty line stands for, given the answers before it."""
        return self.default if isinstance(self.default, str) else self.default(answers)

    def meaning(self, line: str, answers: Answers) -> Meaning:
        """What a line means; ValueError in one plain sentence for one that cannot be.

        A line that leaves the choice to us is an empty one, unless the question itself can read it.
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
    """Whether lengths are spoken of in feet and inches."""
    return bool(answers.get("feet"))
