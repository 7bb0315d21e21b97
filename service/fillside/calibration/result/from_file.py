"""A calibration from the text of a readings file: what `fillside fit` does, without the file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fillside.calibration.estimate.fit import Fit, fit
from fillside.calibration.readings import Reading, readings_from_csv
from fillside.calibration.result.outcome import calibration_of, readings_of
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig


def fit_text(text: str, rig: Rig) -> Fit:
    """The fit of a readings file's text; ReadingError names the line that is wrong."""
    return fit(readings_from_csv(text, rig), rig)


def fit_csv(text: str, rig: Rig) -> Calibration:
    """The calibration that a readings file's text gives; ReadingError names the line that is wrong."""
    return calibration_of(fit_text(text, rig))


def fit_again(calibration: Calibration, rig: Rig) -> Fit:
    """The fit behind a calibration, made anew from the readings it carries, for uncertainties anywhere."""
    return fit(readings_of(calibration), rig)


def fit_readings(rig: Rig, readings: Sequence[Reading]) -> dict[str, Any]:
    """The calibration from readings already at hand, as plain data; a process of its own can run it."""
    return calibration_of(fit(readings, rig)).model_dump(mode="json")
