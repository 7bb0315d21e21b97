"""The actual light on the face, read in the simulated room by independent physics.

The judge uses the actual lamps, not the rig file's figures, and shares no code with the balance.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fillside.metering.simulated_meter import truth_of
from fillside.rig.tables.model import Rig
from fillside_drivers.driver import channel_names
from fillside_drivers.sim.truth import direct_lux, room_lux, unit

WITHIN_STOPS = 0.15


@dataclass(frozen=True)
class FaceVerdict:
    """Errors of the face against the target, in stops; infinite without key or fill."""

    ratio_error_stops: float
    exposure_error_stops: float

    @property
    def within_tolerance(self) -> bool:
        return max(abs(self.ratio_error_stops), abs(self.exposure_error_stops)) <= WITHIN_STOPS


class Judge:
    """Reads the face in a simulated room."""

    def __init__(self, rig: Rig) -> None:
        self._truth = truth_of(rig)
        self._rules = {head.name: head.rule for head in rig.heads}
        self._camera = rig.camera.position

    def verdict(
        self, at: Sequence[float], levels: Mapping[str, float], ratio: float, exposure_lux: float
    ) -> FaceVerdict:
        """Return the errors of the face at `at` [m] under wire levels 0..1 by head.

        `ratio` (key:fill) and `exposure_lux` are the target.
        """
        lit = {"key": 0.0, "fill": 0.0}
        metered = 2 * self._truth.ambient_lux
        toward_camera = unit([c - p for c, p in zip(self._camera, at, strict=True)])
        for head in self._truth.heads:
            rule = self._rules[head.name]
            warm, cool = channel_names(head.name, 2)
            output = head.output(1.0 if head.fixed else levels.get(warm, 0.0), levels.get(cool, 0.0))
            if rule not in lit or output <= 0:
                continue
            toward = unit([h - p for h, p in zip(head.position, at, strict=True)])
            room = room_lux(head)
            lit[rule] += (direct_lux(head, "flat", at, toward) + room) * output
            metered += (direct_lux(head, "dome", at, toward_camera) + 2 * room) * output
        fill = lit["fill"] + self._truth.ambient_lux
        key = lit["key"] + self._truth.ambient_lux
        return FaceVerdict(_stops(key, fill * ratio), _stops(metered, exposure_lux))


def _stops(lux: float, wanted_lux: float) -> float:
    return math.log2(lux / wanted_lux) if lux > 0 and wanted_lux > 0 else math.inf
