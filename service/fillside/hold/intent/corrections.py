"""Corrections of what heads are believed to give: which hold on under another calibration."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fillside.rig.calibration import CalibratedHead, Calibration

_AS_READ = ("heads", "levels", "at", "value", "unit", "receptor", "facing", "time")


def still_corrected(
    corrected: Mapping[str, float], old: Calibration | None, new: Calibration | None
) -> dict[str, float]:
    """The corrections [stops] of heads whose calibration is the one it was."""
    return {name: stops for name, stops in corrected.items() if calibrated_alike(name, old, new)}


def corrected_calibration(
    calibration: Calibration | None, corrected: Mapping[str, float]
) -> Calibration | None:
    """A calibration whose heads give so many stops less than they were read to."""
    if calibration is None or not corrected:
        return calibration
    heads = dict(calibration.heads)
    for name, stops in corrected.items():
        known = heads.get(name)
        if known is not None and known.intensity_cd is not None:
            heads[name] = known.model_copy(update={"intensity_cd": known.intensity_cd * 2.0**-stops})
    return calibration.model_copy(update={"heads": heads})


def calibrated_alike(name: str, old: Calibration | None, new: Calibration | None) -> bool:
    """Whether two calibrations rest on the same readings of a head, or without any state the same light.

    Readings of other heads shift what is believed of it by next to nothing, and do not count.
    """
    return old is new or _basis(name, old) == _basis(name, new)


def _basis(name: str, calibration: Calibration | None) -> Any:
    head = None if calibration is None else calibration.heads.get(name)
    if head is None:
        return None
    return _readings(head) if head.readings else head.intensity_cd


def _readings(head: CalibratedHead) -> list[str]:
    return sorted(repr([_plain(getattr(one, key)) for key in _AS_READ]) for one in head.readings)


def _plain(value: Any) -> Any:
    """A value the same whether it came from JSON or not."""
    return list(value) if isinstance(value, tuple) else value
