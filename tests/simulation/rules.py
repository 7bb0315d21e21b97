"""Everything that must hold in every story: the checks, all together."""

from __future__ import annotations

from simulation import stories
from simulation.checks import doors_agree
from simulation.checks.bulbs_check import bulbs
from simulation.checks.kept import kept
from simulation.checks.light_checks import even_light, steady_light, stream_goes_on
from simulation.checks.metering_check import fits_beside_the_light, metering, one_line_each
from simulation.checks.state_checks import no_fault_of_ours, told_truly
from simulation.shrinking import shrunk
from simulation.stories import Story
from simulation.studio.studios import any_studio
from simulation.world import Check, Complaint, Outcome, play

CHECKS: list[Check] = [
    steady_light,
    stream_goes_on,
    told_truly,
    no_fault_of_ours,
    kept,
    bulbs,
    even_light,
    metering,
    one_line_each,
    fits_beside_the_light,
    *doors_agree.CHECKS,
]


METERING = ("reading", "readings", "tape", "event", "check", "strike", "sensor", "routine")
ABOUT_METERING_EACH = 4
"""Every so many seeds a story is about somebody with a meter."""


def story_of(seed: int) -> Story:
    """Return the story of a seed."""
    stories.load_areas()
    about = METERING if seed % ABOUT_METERING_EACH == 1 else ()
    return stories.drawn(seed, any_studio, about=about)


def outcome_of(story: Story) -> Outcome:
    """Play a story under all rules; what breaks the simulation itself is a complaint too."""
    stories.load_areas()
    try:
        return play(story, CHECKS)
    except Exception as error:
        broken = Complaint(0.0, "simulation", f"{type(error).__name__}: {error}")
        return Outcome(story, (broken,), (), "", 0)


def made_shorter(outcome: Outcome, most_tries: int = 150) -> Outcome:
    """Return the outcome of the shortest story found that breaks the same rule."""
    rule = outcome.failed

    def fails(story: Story) -> float | None:
        found = next((one for one in outcome_of(story).complaints if one.rule == rule), None)
        return None if found is None else found.at_s

    return outcome_of(shrunk(outcome.story, fails, most_tries))
