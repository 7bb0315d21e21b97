"""The room's own light as a sensor sees it, handed to the hold as it changes.

A sensor is heard by orders. What of our own heads reaches it is taken off, the rest is smoothed, and times
the factors that a calibration has learned it is the ambient light of now. A sensor that is not learned, or
that says nothing any more, leaves the ambient light as it was last.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from fillside.calibration.drift.daylight import own_light, sensor_from
from fillside.hold.events import AmbientReading
from fillside.metering.metered_studio import MeteredStudio
from fillside.orders.answers import Refusal
from fillside.orders.metering import SensorReport
from fillside.photometry.exposure import lux_from_reading
from fillside.rig.tables.model import DEFAULT_CONSTANT

SMOOTHED_S = 5.0
"""Time constant: a sensor that flickers under a lamp, or a hand before it, is no cloud."""
SILENT_S = 180.0
NEWEST_S = 60.0
"""A value older than this says nothing of the moment in which the room is metered."""
WORTH_STOPS = 0.01
MOST_LUX = 200_000.0


@dataclass
class _SensorValue:
    name: str
    shown_lux: float
    room_lux: float
    at_s: float
    at_unix_s: float


class Daylight:
    """One sensor at most is followed, the one that the rig file names."""

    def __init__(self, studio: MeteredStudio) -> None:
        self._studio = studio
        self._heard: _SensorValue | None = None
        self._ambient: AmbientReading | None = None
        self._why = ""

    def hear(self, order: SensorReport, unix_s: float) -> str:
        """Take in what a sensor says; what came of it. Refusal for one that the rig does not have."""
        scene = self._studio.light.scene
        table = scene.rig.sensors.get(order.name)
        if table is None:
            known = ", ".join(scene.rig.sensors) or "none"
            raise Refusal("unknown_name", f'there is no sensor "{order.name[:32]}"; there is {known}', "name")
        try:
            shown = lux_from_reading(order.value, order.unit or table.unit, DEFAULT_CONSTANT[table.receptor])
        except ValueError as error:
            raise Refusal("bad_order", str(error), "value") from None
        ours = own_light(scene, table)
        if ours.any() and not self._studio.light.settled:
            return "noted; the light moves, and this sensor sees it"
        outputs = scene.dimmers.outputs(self._studio.light.codes)
        learned = sensor_from(self._studio.light.calibration, order.name, ours)
        if learned is None:
            self._keep(order.name, shown, shown, unix_s)
            self._why = "not learned yet: meter the room with all heads out while it speaks"
            return self._why
        room = learned.room_lux(shown, outputs.tolist())
        if room is None:
            self._why = "most of what it shows is our own light; the room's light is taken as it was"
            return self._why
        self._keep(order.name, shown, room, unix_s)
        self._why = ""
        self._tell()
        return f"the room is taken to give it {min(room, MOST_LUX):.0f} lx"

    def _keep(self, name: str, shown: float, room: float, unix_s: float) -> None:
        now, last = self._studio.clock(), self._heard
        if last is not None and last.name == name and now - last.at_s < SILENT_S:
            share = 1 - math.exp(-max(now - last.at_s, 0.0) / SMOOTHED_S)
            room = last.room_lux + share * (room - last.room_lux)
        self._heard = _SensorValue(name, shown, room, now, unix_s)

    def _tell(self) -> None:
        heard = self._heard
        if heard is None:
            return
        scene = self._studio.light.scene
        table = scene.rig.sensors.get(heard.name)
        learned = None
        if table is not None:
            learned = sensor_from(self._studio.light.calibration, heard.name, own_light(scene, table))
        if learned is None:
            return
        factors = (learned.toward_key, learned.toward_fill, learned.toward_camera)
        key, fill, camera = (min(heard.room_lux * factor, MOST_LUX) for factor in factors)
        ambient = AmbientReading(key, fill, camera)
        if self._ambient is None or _apart_stops(ambient, self._ambient) >= WORTH_STOPS:
            self._ambient = ambient
            self._studio.learned(ambient)

    def light_replaced(self) -> None:
        """Tell a held light, which knows the ambient light of its calibration alone, that of now."""
        self._ambient = None
        if self._heard is not None and self._studio.clock() - self._heard.at_s < SILENT_S:
            self._tell()

    def shown_now(self) -> tuple[str, float] | None:
        """A sensor and what it shows [lux], while the room is metered; None where none has spoken lately."""
        heard = self._heard
        if heard is None or self._studio.clock() - heard.at_s > NEWEST_S:
            return None
        return heard.name, heard.shown_lux

    def state(self) -> dict[str, Any] | None:
        """What doors show; None in a rig without a sensor for the daylight."""
        name = self._studio.light.scene.rig.sensor_of("daylight")
        if name is None:
            return None
        heard, ambient = self._heard, self._ambient
        silent = heard is None or self._studio.clock() - heard.at_s > SILENT_S
        return {
            "sensor": name,
            "shown_lux": None if heard is None else float(f"{heard.shown_lux:.4g}"),
            "heard_at": None if heard is None else heard.at_unix_s,
            "toward_key": None if ambient is None else round(ambient.toward_key, 2),
            "toward_fill": None if ambient is None else round(ambient.toward_fill, 2),
            "toward_camera": None if ambient is None else round(ambient.toward_camera, 2),
            "says": self._why or ("silent; the room's light is taken as it was" if silent else "followed"),
        }


def _apart_stops(one: AmbientReading, other: AmbientReading) -> float:
    """How far two lights of the room are apart, with a hundredth of a lux as none."""
    pairs = zip(one, other, strict=True)
    return max(abs(math.log2((a + 0.01) / (b + 0.01))) for a, b in pairs)
