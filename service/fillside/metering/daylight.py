"""The room's own light as a sensor sees it, handed to the hold as it changes.

A sensor is heard by orders. What of our own heads reaches it is taken off and the rest is smoothed; over what
it showed when the calibration was made, that is how many times as much ambient light there is now. A sensor
that is not learned, or that says nothing any more, leaves the ambient light as it was last.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from fillside.belief.daylight import WATCHED, SensorLight, learned_lux, own_light
from fillside.belief.evidence import MOST_DAYLIGHT_LUX, Reading
from fillside.hold.events import DaylightChanged
from fillside.metering.metered_studio import MeteredStudio, sensor_lux
from fillside.orders.answers import Refusal
from fillside.orders.metering import SensorReport
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene, scene

SMOOTHED_S = 5.0
"""Time constant: a sensor that flickers under a lamp, or a hand before it, is no cloud."""
SILENT_S = 180.0
NEWEST_S = 60.0
"""A value older than this says nothing of the moment in which a reading is taken."""
WORTH_STOPS, WORTH_SD_STOPS = 0.01, 0.05


@dataclass
class _SensorValue:
    """A sensor's light, and the room's part of it, smoothed [lx]; `beside` if a reading may keep that."""

    name: str
    shown_lux: float
    room_lux: float
    sd_stops: float
    beside: bool
    at_s: float
    at_unix_s: float


FOLLOWED = "followed"


class Daylight:
    """Follows one sensor at most, the one that the rig file names."""

    def __init__(self, studio: MeteredStudio) -> None:
        self._studio = studio
        self._heard: _SensorValue | None = None
        self._told: DaylightChanged | None = None
        self._calibrated: tuple[Calibration | None, Scene] | None = None
        self._why = ""

    def hear(self, order: SensorReport, unix_s: float) -> str:
        """Take in a sensor's value; returns the note on it. Refusal for a sensor that the rig does not
        have."""
        here = self._studio.light.scene
        table = here.rig.sensors.get(order.name)
        if table is None:
            known = ", ".join(here.rig.sensors) or "none"
            raise Refusal("unknown_name", f'there is no sensor "{order.name[:32]}"; there is {known}', "name")
        shown = sensor_lux(order, table)
        ours = own_light(here, table)
        if ours.any() and not self._studio.light.settled:
            return "noted; the light moves, and this sensor sees it"
        seen = SensorLight(shown, float(ours @ here.dimmers.outputs(self._studio.light.codes)))
        if seen.room_lux is None:
            self._why = "most of what it shows is our own light; the room's light is taken as it was"
            return self._why
        self._keep(order.name, seen, seen.room_lux, unix_s)
        if self._learned_lux(order.name) is None:
            self._why = "not learned yet: meter the room with all heads out while it speaks"
            return self._why
        self._why = ""
        self._tell()
        return f"the room is taken to give it {min(seen.room_lux, MOST_DAYLIGHT_LUX):.0f} lx"

    def _learned_lux(self, name: str) -> float | None:
        return learned_lux(self._as_calibrated(), self._studio.light.calibration, name)

    def _as_calibrated(self) -> Scene:
        """The scene whose ambient light is that of the calibration."""
        light = self._studio.light
        known = self._calibrated
        if known is None or known[0] is not light.calibration or known[1].rig is not light.scene.rig:
            known = self._calibrated = light.calibration, scene(light.scene.rig, light.calibration)
        return known[1]

    def _keep(self, name: str, seen: SensorLight, room: float, unix_s: float) -> None:
        now, last = self._studio.clock(), self._heard
        if last is not None and last.name == name and now - last.at_s < SILENT_S:
            share = 1 - math.exp(-max(now - last.at_s, 0.0) / SMOOTHED_S)
            room = last.room_lux + share * (room - last.room_lux)
        beside = seen.lux_beside_a_reading is not None
        self._heard = _SensorValue(name, seen.shown_lux, room, seen.sd_stops, beside, now, unix_s)

    def _tell(self) -> None:
        heard = self._heard
        learned = None if heard is None else self._learned_lux(heard.name)
        if heard is None or learned is None:
            return
        brightest = max(self._as_calibrated().ambient)
        most = MOST_DAYLIGHT_LUX / max(brightest, 1e-9)
        told = DaylightChanged(min(heard.room_lux / learned, most), heard.sd_stops)
        if self._told is None or self._is_worth_telling(told, self._told, brightest):
            self._told = told
            self._studio.learned(told)

    @staticmethod
    def _is_worth_telling(one: DaylightChanged, other: DaylightChanged, brightest_lux: float) -> bool:
        """True if two skies differ, with a hundredth of a lux as none."""
        apart = math.log2((one.times * brightest_lux + 0.01) / (other.times * brightest_lux + 0.01))
        return abs(apart) >= WORTH_STOPS or abs(one.sd_stops - other.sd_stops) >= WORTH_SD_STOPS

    def light_replaced(self) -> None:
        """Hand a new held light, which knows only the ambient light of its calibration, that of now."""
        self._told = None
        if self._heard is not None and self._studio.clock() - self._heard.at_s < SILENT_S:
            self._tell()

    def beside(self, reading: Reading) -> Reading:
        """A reading with the sensor's light of the room, where it has spoken lately and can tell."""
        heard = self._heard
        if heard is None or not heard.beside or self._studio.clock() - heard.at_s > NEWEST_S:
            return reading
        shown = min(float(f"{heard.room_lux:.6g}"), MOST_DAYLIGHT_LUX)
        return reading.model_copy(update={"daylight_lux": shown, "daylight_sensor": heard.name})

    def state(self) -> dict[str, Any] | None:
        """The state of the sensor as doors show it; None in a rig without one for the daylight."""
        name = self._studio.light.scene.rig.sensor_of(WATCHED)
        if name is None:
            return None
        heard, now = self._heard, self._studio.light.scene.ambient
        silent = heard is None or self._studio.clock() - heard.at_s > SILENT_S
        key, fill, camera = (None, None, None) if self._told is None else (round(lux, 2) for lux in now)
        return {
            "sensor": name,
            "shown_lux": None if heard is None else float(f"{heard.shown_lux:.4g}"),
            "heard_at": None if heard is None else heard.at_unix_s,
            "toward_key": key,
            "toward_fill": fill,
            "toward_camera": camera,
            "says": self._why or ("silent; the room's light is taken as it was" if silent else FOLLOWED),
        }

    def notes(self) -> tuple[str, ...]:
        """A line for people while a sensor is there and the daylight is not followed all the same."""
        state = self.state()
        if state is None or state["says"] == FOLLOWED:
            return ()
        return (f"the daylight is not followed by the sensor {state['sensor']}: {state['says']}",)
