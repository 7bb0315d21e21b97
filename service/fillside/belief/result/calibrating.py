"""A belief as the calibration that is printed, kept and applied."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fillside.balance.target import target_from_rig
from fillside.belief.belief import Belief, believe
from fillside.belief.daylight import sensors_of
from fillside.belief.evidence import Evidence, Piece, Reading, ReadingError, check_piece
from fillside.belief.evidence_table import evidence_from_csv
from fillside.belief.hypotheses import FEWEST_TO_DOUBT
from fillside.belief.observations import DARK_LUX
from fillside.belief.questions.candidates import TapeCandidate
from fillside.belief.questions.next_reading import NextReading, next_reading
from fillside.belief.result.expanded_uncertainty import COVERAGE_FACTOR
from fillside.belief.result.expected_levels import ExpectedLevels, calibrated_head, plain_calibration
from fillside.belief.result.intervals import Intervals, own_light
from fillside.belief.result.restoring import notes_of
from fillside.belief.suspicions import suspicions
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

_BORNE_OUT, _FORETOLD_STOPS = 2.0, 0.5
"""A reading this near [standard uncertainties] to what the others foretell, when they do so this well, is
borne out by them, whatever the labels say."""
_SUSPECT = 3.5
"""From how many standard uncertainties off a reading is called suspect, even where it was counted."""


def calibration_of(belief: Belief, only: Collection[str | None] | None = None) -> Calibration:
    """The calibration of a belief, with what is known of each reading, each mark, and the next best reading,
    which is of the heads in `only`, if given."""
    levels, plain = ExpectedLevels(belief), plain_calibration(belief)
    intervals = Intervals(belief.rig, plain, belief)
    weighed = weighed_readings(belief)
    marks = {name: (mark, levels.at(mark)) for name, mark in belief.rig.marks.items()}
    held = list(marks.values())
    heads = {name: _head(belief, i, weighed, held) for i, name in enumerate(belief.model.names)}
    return Calibration(
        heads=heads,
        ambient=_ambient(plain.ambient or CalibratedAmbient(), weighed),
        next=suggested(next_reading(belief, intervals, levels, only)),
        marks={name: _mark(belief.rig, intervals, *there) for name, there in marks.items()},
        hand_sd_m=_short(belief.hand_sd_m),
        sensors=sensors_of(belief.evidence, belief.rig),
        told=notes_of(belief.evidence),
    )


def _mark(rig: Rig, intervals: Intervals, mark: Point, levels: FloatArray) -> MarkUncertainty:
    sure = intervals.at(mark, levels.tolist(), (levels > 0).tolist(), target_from_rig(rig)).uncertainty
    ratio, exposure = sure.ratio_stops, sure.exposure_stops
    return MarkUncertainty(
        ratio_sigma_stops=None if ratio is None else _short(ratio / COVERAGE_FACTOR),
        exposure_sigma_stops=None if exposure is None else _short(exposure / COVERAGE_FACTOR),
    )


def _head(
    belief: Belief, head: int, weighed: Sequence[WeighedReading], marks: Sequence[tuple[Point, FloatArray]]
) -> CalibratedHead:
    name = belief.model.names[head]
    held = [_light_sd(belief, mark, levels)[head] for mark, levels in marks]
    full = [_light_sd(belief, mark, np.ones(len(levels)))[head] for mark, levels in marks]
    found = calibrated_head(belief, head)
    return found.model_copy(
        update={
            **{key: _short(value) for key, value in found if isinstance(value, float)},
            "room": None if found.room is None else found.room.rounded(_short),
            "curve": None if found.curve is None else found.curve.rounded(_short),
            "sigma_stops": _short(_rms(held)),
            "sigma_full_stops": _short(_rms(full)),
            "readings": tuple(entry for entry in weighed if name in entry.heads),
        }
    )


def _light_sd(belief: Belief, place: Point, levels: FloatArray) -> FloatArray:
    """Standard uncertainty [stops] (n,) of each head's own light at a place and levels (n,)."""
    return np.sqrt(belief.posterior.variance(own_light(belief, place, levels)[1]))


def _ambient(ambient: CalibratedAmbient, weighed: Sequence[WeighedReading]) -> CalibratedAmbient:
    short = {
        key: tuple(map(_short, value)) if isinstance(value, tuple) else _short(value)
        for key, value in ambient.model_dump(exclude_none=True, exclude={"readings"}).items()
    }
    return CalibratedAmbient.model_validate({**short, "readings": [one for one in weighed if not one.heads]})


def weighed_readings(belief: Belief) -> list[WeighedReading]:
    """Every reading with its expectation, its residual, and the reason why it is suspect, if it is."""
    if not belief.readings:
        return []
    off = belief.off_stops
    strange = np.abs(belief.residuals.score)
    unlikely = _unlikely(belief, strange)
    weighed = []
    for i, reading in enumerate(belief.readings):
        left_out = bool(belief.wrong[i])
        suspect = left_out or (bool(strange[i] > _SUSPECT) and _has_company(belief, reading))
        weighed.append(
            WeighedReading(
                number=i + 1,
                **reading.model_dump(exclude_none=True),
                read_lux=_short(reading.lux(belief.rig.meter.constant_of(reading.receptor))),
                expected_lux=_short(max(0.0, math.exp2(belief.expected_stops[i]) - DARK_LUX)),
                residual_stops=round(float(off[i]), 4),
                sigma_stops=_short(belief.sd[i]),
                suspect=suspect,
                left_out=left_out,
                why=unlikely[i] or (_why(float(off[i])) if suspect else None),
            )
        )
    return weighed


def _unlikely(belief: Belief, strange: FloatArray) -> list[str | None]:
    """The doubts of lamp, modifier and rig file about readings that the others do not bear out."""
    borne_out = (strange < _BORNE_OUT) & (belief.residuals.foretold_sd < _FORETOLD_STOPS)
    suspected = suspicions(belief.readings, believe((), belief.rig))
    return [None if sound else why for sound, why in zip(borne_out.tolist(), suspected, strict=True)]


def _has_company(belief: Belief, reading: Reading) -> bool:
    """Return true if enough was read of the same heads to hold a reading against that, not just the
    labels."""
    alike = [
        one for one in belief.readings if set(one.heads) & set(reading.heads) or one.heads == reading.heads
    ]
    return len(alike) >= FEWEST_TO_DOUBT


def _why(off: float) -> str:
    return f"{abs(off):.1f} stop {'above' if off > 0 else 'below'} what the other readings agree on"


def suggested(asked: NextReading | None) -> SuggestedReading | None:
    """The next question as data; None where there is none."""
    if asked is None:
        return None
    sure = {
        f"{name}_sigma{when}_stops": _short(sigma)
        for when, then in (("", asked.now), ("_after", asked.after), ("_after_two", asked.after_two))
        for name, sigma in asdict(then).items()
        if sigma is not None
    }
    return SuggestedReading.model_validate(
        {
            **_question(asked),
            **sure,
            "good": asked.good,
            "enough": asked.enough,
            "to_come": asked.to_come,
            "to_come_s": round(asked.to_come_s),
        }
    )


def _question(asked: NextReading) -> dict[str, object]:
    """The question itself, and the answer that is expected."""
    one = asked.asked
    if isinstance(one, TapeCandidate):
        return {
            "head": one.head,
            "at": one.at,
            "unit": "m",
            "expected_m": _short(asked.expected),
            "sigma_m": _short(asked.expected_sigma),
        }
    return {
        "head": one.head,
        "level": one.level,
        "at": one.at,
        "receptor": one.receptor,
        "facing": "head" if one.head == one.facing else one.facing,
        "expected_lux": _short(asked.expected),
        "sigma_stops": _short(asked.expected_sigma),
    }


def _rms(values: Sequence[Any]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def _short(value: float) -> float:
    """A number with six digits."""
    return float(f"{float(value):.6g}")


def belief_from_csv(text: str, rig: Rig) -> Belief:
    """The belief that a file of evidence gives; ReadingError names the line that is wrong."""
    return believe(evidence_from_csv(text, rig), rig)


def calibration_from_csv(text: str, rig: Rig) -> Calibration:
    """The calibration that a file of evidence gives; ReadingError names the line that is wrong."""
    return calibration_of(belief_from_csv(text, rig))


@dataclass(frozen=True)
class FittedCalibration:
    """A calibration, and the reasons why some of the evidence cannot be of this rig."""

    calibration: Calibration
    strange: dict[Piece, str]


def weigh(
    rig: Rig, evidence: Evidence | Sequence[Reading], only: Collection[str | None] | None = None
) -> FittedCalibration:
    """The calibration from evidence; its next best reading is of the heads in `only`, if given.

    What is of heads that the rig does not have any more, or of places it rules out, is left aside.
    """
    told = evidence if isinstance(evidence, Evidence) else Evidence(tuple(evidence))
    counted: list[Piece] = []
    strange: dict[Piece, str] = {}
    for piece in told.pieces:
        try:
            counted.append(check_piece(piece, rig))
        except ReadingError as error:
            strange[piece] = error.message
    return FittedCalibration(calibration_of(believe(Evidence.of(counted), rig), only), strange)
