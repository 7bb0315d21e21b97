"""What is worked out of readings apart from the light: fits, and why a head is off."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from fillside.calibration.drift.change import HeadChange, change_of
from fillside.calibration.estimate.fit import fit
from fillside.calibration.readings import Reading, ReadingError, check_against
from fillside.calibration.result.from_file import fit_again
from fillside.calibration.result.next_reading import next_reading
from fillside.calibration.result.outcome import calibration_of, suggested
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig


@dataclass(frozen=True)
class FittedCalibration:
    """A calibration, and the readings (by place) that this rig can have nothing to do with, with why."""

    calibration: Calibration
    strange: dict[int, str]


def weigh(
    rig: Rig, readings: Sequence[Reading], only: Collection[str | None] | None = None
) -> FittedCalibration:
    """The calibration from readings; its next best one is of the heads in `only`, if given.

    Readings of heads that the rig does not have any more, or of places it rules out, are left aside.
    """
    counted, strange = [], {}
    for place, reading in enumerate(readings):
        try:
            counted.append(check_against(reading, rig))
        except ReadingError as error:
            strange[place] = error.message
    found = fit(counted, rig)
    calibration = calibration_of(found)
    if only is not None:
        asked = suggested(next_reading(found, only=only))
        calibration = calibration.model_copy(update={"next": asked})
    return FittedCalibration(calibration, strange)


def judge(rig: Rig, calibration: Calibration | None, readings: Sequence[Reading]) -> HeadChange:
    """What became of a head since it was calibrated, from new readings of it alone."""
    known = fit((), rig) if calibration is None else fit_again(calibration, rig)
    return change_of(readings, known)
