"""Identity: the hold's own time, and the count of turns that goes on over a reload."""

from __future__ import annotations

import numpy as np
import pytest

from fillside.hold.fading.fader import Clock
from fillside.hold.fading.flash_limiter import FlashLimiter

UP, DOWN = np.array([1.0]), np.array([0.5])


def test_a_stall_of_a_moving_light_counts_as_a_tenth_of_a_second() -> None:
    clock = Clock(1000.0)
    assert clock.read(1000.05, moving=True) == pytest.approx(0.05)
    assert clock.read(1009.0, moving=True) == pytest.approx(0.15)
    assert clock.read(1009.1, moving=True) == pytest.approx(0.25)


def test_at_rest_time_counts_in_full() -> None:
    clock = Clock(1000.0)
    assert clock.read(4600.0, moving=False) == pytest.approx(3600.0)


def test_a_clock_that_is_set_back_stands_still_and_goes_on() -> None:
    for moving in (True, False):
        clock = Clock(1000.0)
        clock.read(1000.08, moving)
        assert clock.read(400.0, moving) == pytest.approx(0.08)
        assert clock.read(400.05, moving) == pytest.approx(0.13)


def test_a_look_takes_nothing_in() -> None:
    clock = Clock(0.0)
    assert clock.peek(0.06, moving=True) == pytest.approx(0.06)
    assert clock.read(0.06, moving=True) == pytest.approx(0.06)


HELD_BACK_S = 0.06
"""What is added to a second, for frames that a wire holds back."""


def turned_three_times(at_s: list[float]) -> FlashLimiter:
    """A light that rose and fell, its third turn the last."""
    limiter = FlashLimiter(UP)
    assert limiter.admit(DOWN, at_s[0] - 0.2)
    for time, light in zip(at_s, (UP, DOWN, UP), strict=True):
        assert limiter.admit(light, time)
    return limiter


def test_the_fourth_turn_waits_until_the_first_is_a_second_ago() -> None:
    limiter = turned_three_times([10.0, 10.1, 10.2])
    assert not limiter.admit(DOWN, 10.3)
    assert not limiter.admit(DOWN, 10.99 + HELD_BACK_S)
    assert limiter.admit(DOWN, 11.01 + HELD_BACK_S)
    assert not limiter.admit(UP, 11.05 + HELD_BACK_S)
    assert limiter.admit(UP, 11.11 + HELD_BACK_S)


def test_a_turn_whose_frame_a_stall_may_have_held_back_counts_from_the_end_of_the_stall() -> None:
    limiter = turned_three_times([10.0, 10.1, 10.2])
    limiter.left_late(10.05, 10.4)
    assert limiter.admit(DOWN, 11.07), "the first of the turns had left long before"
    assert not limiter.admit(UP, 11.45), "the second may have left at 10.4 s"
    assert limiter.admit(UP, 11.47)


def test_turns_before_a_reload_count_on_under_the_new_hold_s_time() -> None:
    """Its time 0 is the old one's 10.5: the first turn is half a second old then."""
    new = turned_three_times([10.0, 10.1, 10.2]).rebased(10.5)
    assert not new.admit(DOWN, 0.1)
    assert not new.admit(DOWN, 0.49 + HELD_BACK_S)
    assert new.admit(DOWN, 0.51 + HELD_BACK_S)


def test_a_light_that_goes_on_one_way_never_waits() -> None:
    limiter = turned_three_times([0.0, 0.1, 0.2])
    assert limiter.admit(np.array([1.2]), 0.21)
    assert limiter.admit(np.array([1.2 * 2**-0.09]), 0.22), "less than a tenth of a stop back is no turn"


def test_turns_are_counted_by_head() -> None:
    limiter = FlashLimiter(np.array([1.0, 1.0]))
    for time, light in ((0.0, 0.5), (0.1, 1.0), (0.2, 0.5), (0.3, 1.0)):
        assert limiter.admit(np.array([light, 1.0]), time)
    assert not limiter.admit(np.array([0.5, 1.0]), 0.4)
    assert limiter.admit(np.array([1.0, 0.5]), 0.4)


@pytest.mark.parametrize(("back_stops", "waits"), [(0.09, False), (0.11, True)])
def test_going_back_by_more_than_a_tenth_of_a_stop_is_a_turn(back_stops: float, waits: bool) -> None:
    limiter = turned_three_times([0.0, 0.1, 0.2])
    assert limiter.admit(UP * 2.0**-back_stops, 0.3) is not waits
