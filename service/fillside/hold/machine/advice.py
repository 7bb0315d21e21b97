"""Remedies: asked for outside, because they are many solutions, and shown while they still fit."""

from __future__ import annotations

import math

from fillside.balance.report import Remedy
from fillside.hold.machine.events import RemediesFound, RemedyQuestion

SAME_PLACE_M = 0.1
"""Remedies are moves of lamps and settings of cameras; a subject that went a hand's breadth does not change
them."""


class Advice:
    """The question that is open, and the latest answer."""

    def __init__(self) -> None:
        self._question: RemedyQuestion | None = None
        self._found: tuple[Remedy, ...] | None = None

    def ask(self, question: RemedyQuestion | None) -> RemedyQuestion | None:
        """What still has to be answered, when this is what stands to be asked (None: nothing is in the
        way)."""
        if question is None or self._question is None or not _same(question, self._question):
            self._question, self._found = question, None
        return self._question if self._found is None else None

    def answer(self, found: RemediesFound) -> None:
        """Take an answer in; one to another question than the open one says nothing."""
        if self._question is not None and found.question == self._question:
            self._found = found.remedies

    @property
    def remedies(self) -> tuple[Remedy, ...]:
        """What was found for the question that stands."""
        return self._found or ()


def _same(one: RemedyQuestion, other: RemedyQuestion) -> bool:
    near = math.dist(one.subject, other.subject) <= SAME_PLACE_M
    return near and one.rig == other.rig and one.calibration == other.calibration
