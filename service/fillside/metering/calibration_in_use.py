"""The calibration in use, read from the store: all that the light needs of metering when it starts."""

from __future__ import annotations

import logging
from datetime import UTC, datetime

from pydantic import ValidationError

from fillside.rig.calibration import Calibration
from fillside.storage.records import metering as kept
from fillside.storage.records.metering import StoredCalibration
from fillside.storage.store import Store

log = logging.getLogger(__name__)


def calibration_in_use(store: Store) -> tuple[Calibration | None, str | None]:
    """The calibration in use and when it was made (ISO 8601, UTC); None and None without one."""
    used = kept.current_calibration(store)
    calibration = None if used is None else understood(used)
    return (None, None) if used is None or calibration is None else (calibration, made_at(used.at))


def understood(one: StoredCalibration) -> Calibration | None:
    """A stored calibration as a model; None, with a line in the log, for one that cannot be read."""
    try:
        return Calibration.model_validate(one.body)
    except ValidationError as error:
        log.error("calibration %d cannot be read (%s); the rig file alone is used", one.id, error)
        return None


def made_at(unix_s: float) -> str:
    """A Unix time [s] as ISO 8601 in UTC, to the second.

    >>> made_at(0.0)
    '1970-01-01T00:00:00Z'
    """
    return datetime.fromtimestamp(unix_s, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
