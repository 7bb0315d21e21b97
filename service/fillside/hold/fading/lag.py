"""How far lamps lag behind their wires, so that one that answers late moves with those that answer at once.

Theory. A head whose light at a time is what was sent `leads_s` before is sent where the common fade will be
by then. It cannot begin before `latencies_s` have passed; a fade from rest therefore waits that long for the
slowest of the heads that move, and only while it is on its way does nobody wait. A head never fades faster
than `fastest_stops_s`, and so the common time is that of the head that needs most.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fillside.rig.scene.scene import Scene
from fillside.rig.tables.drivers import TimedDrive

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Lags:
    """By head (heads,): how far ahead it is sent and how long it is deaf [s], and its fastest fade
    [stop/s]."""

    leads_s: FloatArray
    latencies_s: FloatArray
    fastest_stops_s: FloatArray

    @cached_property
    def late(self) -> BoolArray:
        """The heads that are sent ahead."""
        late: BoolArray = self.leads_s > 0
        return late

    @cached_property
    def any_late(self) -> bool:
        """Whether there is one."""
        return bool(self.late.any())

    def waits_s(self, moves: BoolArray) -> float:
        """How long a fade of these heads (heads,) waits for the last of them to begin [s]."""
        return float(self.latencies_s[moves].max(initial=0.0))


def lags_of(scene: Scene) -> Lags:
    """The lags of a scene's heads; a drive that tells none has none."""
    drives = [scene.rig.driver_config.drives.get(name) for name in scene.names]
    timings = [drive.timing if isinstance(drive, TimedDrive) else None for drive in drives]
    return Lags(
        np.array([0.0 if t is None else t.lead_s for t in timings]),
        np.array([0.0 if t is None else t.latency_s for t in timings]),
        np.array([np.inf if t is None else t.fastest_stops_s for t in timings]),
    )
