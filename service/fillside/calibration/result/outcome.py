"""A fit as the calibration that is printed, kept and applied."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.estimate.fit import Fit, fit
from fillside.calibration.estimate.observations import DARK_LUX
from fillside.calibration.estimate.priors import DEAD_ZONE, EXPONENT, FULL_SHORT
from fillside.calibration.estimate.selection import FEWEST_TO_DOUBT, foretold_sd, studentised
from fillside.calibration.estimate.uncertainty import held_sigma_stops, light_sigma_stops
from fillside.calibration.readings import (
    Reading,
    ReadingError,
    check_against,
    reading_from_entry,
    readings_from_csv,
)
from fillside.calibration.result.expected_levels import ExpectedLevels, calibrated_head, plain_calibration
from fillside.calibration.result.next_reading import NextReading, next_reading
from fillside.calibration.result.suspect_readings import labels_alone, suspicions
from fillside.rig.calibration import (
    CalibratedAmbient,
    CalibratedHead,
    Calibration,
    MarkUncertainty,
    SuggestedReading,
    WeighedReading,
)
from fillside.rig.tables.model import Point, Rig

FloatArray = NDArray[np.float64]

FAMILIES = ("power", "logarithmic", "lightness")
"""How the families of dimmers are called."""
_BORNE_OUT, _FORETOLD_STOPS = 2.0, 0.5
"""A reading this near [standard uncertainties] to what the others foretell, when they do so this well, is
borne out by them, whatever the labels say."""
_SUSPECT = 3.5
"""From how many standard uncertainties off a reading is called suspect, even where it was counted."""


def calibration_of(fit: Fit) -> Calibration:
    """The calibration of a fit, with what is known of each reading, each mark, and the next best reading."""
    levels, plain = ExpectedLevels(fit), plain_calibration(fit)
    weighed = weighed_readings(fit)
    marks = {name: (mark, levels.at(mark)) for name, mark in fit.model.rig.marks.items()}
    heads = {
        name: _head(fit, i, weighed, list(marks.values())) for i, name in enumerate(fit.model.beliefs.names)
    }
    return Calibration(
        heads=heads,
        ambient=_ambient(plain.ambient or CalibratedAmbient(), weighed),
        next=suggested(next_reading(fit, levels)),
        marks={name: _mark(fit, *held) for name, held in marks.items()},
        hand_sd_m=_short(fit.hand_sd_m),
    )


def _mark(fit: Fit, mark: Point, levels: FloatArray) -> MarkUncertainty:
    ratio, exposure = held_sigma_stops(fit, mark, levels)
    return MarkUncertainty(ratio_sigma_stops=_short(ratio), exposure_sigma_stops=_short(exposure))


def _head(
    fit: Fit, head: int, weighed: Sequence[WeighedReading], marks: Sequence[tuple[Point, FloatArray]]
) -> CalibratedHead:
    name = fit.model.beliefs.names[head]
    figures = fit.model.dimming(fit.model.figures(fit.z), fit.shapes)[0][head]
    held = [light_sigma_stops(fit, mark, levels)[head] for mark, levels in marks]
    full = [light_sigma_stops(fit, mark, np.ones(len(levels)))[head] for mark, levels in marks]
    shape: dict[str, float | str] = {}
    if fit.model.beliefs.certain_curves[head] is None and fit.was_read[head]:
        shape = {
            "dimmer": _family(fit, head),
            "exponent": _short(figures[EXPONENT]),
            "dead_zone": _short(figures[DEAD_ZONE]),
            "full_from": _short(1 - figures[FULL_SHORT]),
        }
    found = calibrated_head(fit, head).model_dump()
    return CalibratedHead.model_validate(
        {
            **{key: _short(value) if isinstance(value, float) else value for key, value in found.items()},
            "sigma_stops": _short(_rms(held)),
            "sigma_full_stops": _short(_rms(full)),
            **shape,
            "readings": tuple(entry for entry in weighed if name in entry.heads),
        }
    )


def _family(fit: Fit, head: int) -> str:
    family = FAMILIES[int(fit.model.dimming(fit.model.figures(fit.z), fit.shapes)[1][head])]
    return f"{family}, bent" if fit.shapes.bent[head] else family


def _ambient(ambient: CalibratedAmbient, weighed: Sequence[WeighedReading]) -> CalibratedAmbient:
    lux = {key: _short(value) for key, value in ambient.model_dump(exclude_none=True).items()}
    return CalibratedAmbient.model_validate({**lux, "readings": [one for one in weighed if not one.heads]})


def weighed_readings(fit: Fit) -> list[WeighedReading]:
    """Every reading with what was expected, how far off it is, and whether and why it is suspect."""
    if not fit.readings:
        return []
    off = fit.question.seen.stops - fit.point.expected
    strange = np.abs(studentised(fit.question, fit.point))
    unlikely = _unlikely(fit, strange)
    weighed = []
    for i, reading in enumerate(fit.readings):
        left_out = not bool(fit.question.counts[i])
        suspect = left_out or (bool(strange[i] > _SUSPECT) and _has_company(fit, reading))
        weighed.append(
            WeighedReading(
                number=i + 1,
                **reading.model_dump(exclude_none=True),
                read_lux=_short(reading.lux(fit.model.rig.meter.constant_of(reading.receptor))),
                expected_lux=_short(max(0.0, math.exp2(fit.point.expected[i]) - DARK_LUX)),
                residual_stops=round(float(off[i]), 4),
                sigma_stops=_short(fit.question.sd[i]),
                suspect=suspect,
                left_out=left_out,
                why=unlikely[i] or (_why(float(off[i])) if suspect else None),
            )
        )
    return weighed


def _unlikely(fit: Fit, strange: FloatArray) -> list[str | None]:
    """What lamp, modifier and rig file have against each reading that the others do not bear out."""
    borne_out = (strange < _BORNE_OUT) & (foretold_sd(fit.question, fit.point) < _FORETOLD_STOPS)
    suspected = suspicions(fit.readings, labels_alone(fit.model.rig, fit))
    return [None if sound else why for sound, why in zip(borne_out.tolist(), suspected, strict=True)]


def _has_company(fit: Fit, reading: Reading) -> bool:
    """Whether enough was read of the same heads for a reading to be off against that, not just the labels."""
    alike = [one for one in fit.readings if set(one.heads) & set(reading.heads) or one.heads == reading.heads]
    return len(alike) >= FEWEST_TO_DOUBT


def _why(off: float) -> str:
    return f"{abs(off):.1f} stop {'above' if off > 0 else 'below'} what the other readings agree on"


def readings_of(calibration: Calibration) -> tuple[Reading, ...]:
    """The readings a calibration came from, in the order they were handed in.

    Raises pydantic's ValidationError for entries that are no readings.
    """
    return tuple(reading_from_entry(entry) for entry in calibration.readings_in_order())


def suggested(asked: NextReading | None) -> SuggestedReading | None:
    """The next best reading as data; None where there is none."""
    if asked is None:
        return None
    one = asked.asked
    return SuggestedReading(
        head=one.head,
        level=one.level,
        at=one.at,
        receptor=one.receptor,
        facing="head" if one.head == one.facing else one.facing,
        expected_lux=_short(asked.expected_lux),
        sigma_stops=_short(asked.expected_sigma_stops),
        ratio_sigma_stops=_short(asked.ratio_sigma_stops),
        ratio_sigma_after_stops=_short(asked.ratio_sigma_after_stops),
        exposure_sigma_stops=_short(asked.exposure_sigma_stops),
        exposure_sigma_after_stops=_short(asked.exposure_sigma_after_stops),
        enough=asked.enough,
        to_come=asked.to_come,
    )


def _rms(values: Sequence[Any]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def _short(value: float) -> float:
    """A number with six digits."""
    return float(f"{float(value):.6g}")


def fit_text(text: str, rig: Rig) -> Fit:
    """The fit of a readings file's text; ReadingError names the line that is wrong."""
    return fit(readings_from_csv(text, rig), rig)


def fit_csv(text: str, rig: Rig) -> Calibration:
    """The calibration that a readings file's text gives; ReadingError names the line that is wrong."""
    return calibration_of(fit_text(text, rig))


def fit_again(calibration: Calibration, rig: Rig) -> Fit:
    """The fit behind a calibration, made anew from the readings it carries, for uncertainties anywhere."""
    return fit(readings_of(calibration), rig)


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
