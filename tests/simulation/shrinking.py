"""Makes a failing story shorter: fewest acts first, then the shortest time, then the simplest faults."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from simulation.stories import Story

AFTER_S = 1.5
"""Time kept after a complaint, so that what follows from it is seen."""
SIMPLER = (0.5, 0.1)

Fails = Callable[[Story], float | None]
"""Plays a story; returns when the same rule as before fails [s], None if it holds."""


def shrunk(story: Story, fails: Fails, most_tries: int = 150) -> Story:
    """Return the shortest story found within some tries whose failing is the same."""
    left = _Tries(fails, most_tries)
    story = _fewer_acts(story, left)
    story = _shorter(story, left)
    story = _earlier(story, left)
    return _simpler(story, left)


class _Tries:
    """Counts how often a story is played."""

    def __init__(self, fails: Fails, left: int) -> None:
        self._fails, self.left = fails, left

    def __call__(self, story: Story) -> float | None:
        if self.left <= 0:
            return None
        self.left -= 1
        return self._fails(story)


def _fewer_acts(story: Story, fails: Fails) -> Story:
    """Leave acts out, first many at a time, then one by one, as long as it goes on failing."""
    size = max(1, len(story.acts) // 2)
    while True:
        place, left_out = 0, False
        while place < len(story.acts):
            tried = story.with_acts(story.acts[:place] + story.acts[place + size :])
            if fails(tried) is not None:
                story, left_out = tried, True
            else:
                place += size
        if size == 1 and not left_out:
            return story
        size = max(1, size // 2)


def _shorter(story: Story, fails: Fails) -> Story:
    """End the story soon after its failing."""
    at_s = fails(story)
    if at_s is None:
        return story
    tried = replace(story, lasts_s=round(min(story.lasts_s, at_s + AFTER_S), 3))
    return tried if fails(tried) is not None else story


def _earlier(story: Story, fails: Fails) -> Story:
    """Take out time in which nothing happens: every act with those after it, by halves of the gap."""
    for number in range(len(story.acts)):
        before_s = story.acts[number - 1].at_s if number else 1.0
        for share in (1.0, 0.5):
            by_s = round((story.acts[number].at_s - before_s) * share, 3)
            if by_s <= 0.05:
                continue
            acts = story.acts[:number] + tuple(
                replace(act, at_s=round(act.at_s - by_s, 3)) for act in story.acts[number:]
            )
            tried = replace(story, acts=acts, lasts_s=round(story.lasts_s - by_s, 3))
            if fails(tried) is not None:
                story = tried
                break
    return story


def _simpler(story: Story, fails: Fails) -> Story:
    """Make the numbers of acts smaller and rounder."""
    for number in range(len(story.acts)):
        for name, value in story.acts[number].args.items():
            if not isinstance(value, float):
                continue
            for simpler in (0.0, *(round(value * share, 2) for share in SIMPLER), round(value, 1)):
                tried = _with_number(story, number, name, simpler)
                if simpler != value and fails(tried) is not None:
                    story = tried
                    break
    return story


def _with_number(story: Story, number: int, name: str, value: float) -> Story:
    acts = list(story.acts)
    acts[number] = replace(acts[number], args={**acts[number].args, name: value})
    return story.with_acts(tuple(acts))
