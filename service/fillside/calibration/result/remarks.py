"""What a calibration says about one of the readings it came from."""

from __future__ import annotations

from typing import Any

from fillside.rig.calibration import Calibration


def entry_of(calibration: Calibration, number: int) -> dict[str, Any] | None:
    """What is said about a reading by its place among those weighed, from 1; None where it is not there."""
    ambient = (calibration.ambient.model_extra or {}) if calibration.ambient else {}
    entries = [entry for head in calibration.heads.values() for entry in head.readings]
    for entry in [*entries, *ambient.get("readings", ())]:
        if entry.get("number") == number:
            found: dict[str, Any] = entry
            return found
    return None


def remark_on(calibration: Calibration, number: int) -> str | None:
    """Why a reading is doubted, if it is."""
    why = (entry_of(calibration, number) or {}).get("why")
    return None if why is None else str(why)
