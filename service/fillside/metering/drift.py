"""How far the heads have drifted, as readings and a sensor at the subject tell, and the slow correction.

What is seen is held against the calibration, whatever is corrected: a drift stays what it is while the light
makes up for it. The correction itself is the hold's; here it is led on, a little at a time.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fillside.belief.evidence import CAMERA, OWN_HEAD, Reading
from fillside.belief.result.expanded_uncertainty import expanded
from fillside.calibration.drift.change import slow_correction
from fillside.calibration.drift.estimate import Drifts, Row, row_of
from fillside.calibration.drift.expected_readings import (
    FloatArray,
    Look,
    at_full_lux,
    calibrated_stops,
    hand_stops,
    look_of,
    look_of_sensor,
    outputs_at,
    room_lux,
)
from fillside.calibration.routine.warmth import Warming
from fillside.hold.events import HeadsCorrected
from fillside.hold.memory.carry_over import same_basis
from fillside.metering.metered_studio import MeteredStudio
from fillside.orders.answers import Refusal
from fillside.orders.metering import SensorReport
from fillside.photometry.exposure import lux_from_reading
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene, scene
from fillside.rig.tables.head import CorrectDrift
from fillside.rig.tables.model import DEFAULT_CONSTANT, Rig

SENSOR_EVERY_S = 30.0
"""A sensor speaks all day; so often it is listened to."""
SENSOR_NOISE_STOPS = 0.03
"""How far one value of a sensor strays, beside what it is off by all the time; common practice, no source."""
REST_S = 1.5
"""A sensor averages: so soon after a change it may tell of the light before."""
TELLS_FROM = 0.05
"""A head with a smaller share of a reading's light is not said to have been told of by it."""
ALONE_FROM = 0.9
"""From this share of a reading's light on it is of one head alone."""
WARMING_STOPS = 0.1
"""How much the drift of a head that warms up may change from one reading to the next."""
LONGEST_TURN_S = 60.0
"""A process that slept corrects no more than that at once when it wakes."""
STEP_STOPS = 0.005
"""A correction is handed on once it is another by this."""
AT_A_MARK_M = 0.05
SEEN_STOPS = 0.1
"""A smaller drift does not break the promised ratio."""


@dataclass(frozen=True)
class HeadDrift:
    """A head's drift and standard uncertainty [stops], None where nothing was told since the start; what is
    still to come of its warming up; what is corrected; and when it was told (Unix time)."""

    head: str
    off_stops: float | None
    sigma_stops: float | None
    to_come_stops: float | None
    corrected_stops: float
    at: float | None

    @property
    def is_off(self) -> bool:
        """Whether it is off by more than can be overlooked and more than chance makes of it."""
        if self.off_stops is None or self.sigma_stops is None:
            return False
        return abs(self.off_stops) > max(SEEN_STOPS, expanded(self.sigma_stops))

    @property
    def says(self) -> str:
        """What the head is, in a word or two."""
        if self.to_come_stops is not None:
            return "warming up"
        if self.off_stops is None:
            return "not told"
        return "changed" if self.is_off else "steady"

    @property
    def words(self) -> str:
        """The drift in a few words, with its expanded uncertainty."""
        if self.off_stops is None or self.sigma_stops is None:
            return f"{self.head} was not read since the start"
        less = "less" if self.off_stops < 0 else "more"
        return (
            f"{self.head} gives {abs(self.off_stops):.2f} ±{expanded(self.sigma_stops):.2f} stop {less} "
            "than calibrated"
        )

    def as_data(self) -> dict[str, Any]:
        """The same, JSON-able."""
        return {
            "head": self.head,
            "off_stops": None if self.off_stops is None else round(self.off_stops, 3),
            "sigma_stops": None if self.sigma_stops is None else round(self.sigma_stops, 3),
            "says": self.says,
            "corrected_stops": round(self.corrected_stops, 3),
            "at": self.at,
        }


def note_on(drift: HeadDrift) -> str:
    """A line for people on a head that warms up or is off; nothing where all is well."""
    if drift.to_come_stops is not None:
        return f"{drift.head} is still warming up: about {abs(drift.to_come_stops):.1f} stop to come"
    if not drift.is_off:
        return ""
    if abs(drift.corrected_stops) >= 0.005:
        undone = f"; the balance makes up for {abs(drift.corrected_stops):.2f} stop of it"
    else:
        undone = ""
    return f"{drift.words}{undone}; line up to see whether the lamp or the stand changed"


@dataclass(frozen=True)
class _HeadReadings:
    look: Look
    outputs: FloatArray
    lux: float
    sigma_stops: float
    by_sensor: bool = False


class Drift:
    """What is known of the drift of each head. Unix times come in; the studio's clock is for what goes on."""

    def __init__(self, studio: MeteredStudio, unix_s: float = 0.0, warming: Warming | None = None) -> None:
        self._studio = studio
        self._calibration, self._rig = studio.light.calibration, studio.light.scene.rig
        self._made: tuple[Rig, Calibration | None, Scene] | None = None
        self._drifts = Drifts.unread(self._sensor_sd_stops(), unix_s)
        self._warming = Warming(studio.clock) if warming is None else warming
        self._at: dict[str, float] = {}
        self._heard_s = -math.inf
        self._turned_s = studio.clock()
        self._corrections: dict[str, float] = dict(studio.light.corrected)
        self._rates: dict[str, float] = {}

    def _sensor_sd_stops(self) -> float:
        """How far a sensor at the subject may be off all the time: like a meter, and by where it was put."""
        name, rig = self._rig.sensor_of("heads"), self._rig
        sd = rig.meter.sigma
        if name is not None and self._calibration is not None:
            here = self._calibrated()
            half = np.full(len(here.names), 0.5)
            sd = math.hypot(sd, hand_stops(here, look_of_sensor(rig.sensors[name], rig), half))
        return sd

    def ready(self, reading: Reading) -> None:
        """Raise Refusal where there is nothing to hold a reading against, or its heads are not as told."""
        if self._calibration is None:
            raise Refusal("not_now", "nothing is calibrated yet that could have drifted; calibrate first")
        if why := self._why_not(reading.heads):
            raise Refusal("not_now", f"{why}, so nothing can be told of its lamp")

    def _why_not(self, heads: Collection[str] | None = None) -> str:
        """Why light of these heads, or of any, is not what their levels say; nothing where it is."""
        names = [name for name in self._studio.light.unwell if heads is None or name in heads]
        return f"{names[0]} does not obey" if names else ""

    def read(self, reading: Reading, unix_s: float) -> str:
        """Take in a reading of heads at levels, once a calibration is there; what it says."""
        rig, here = self._rig, self._calibrated()
        look = look_of(reading, rig)
        outputs = outputs_at(here, dict(zip(reading.heads, reading.levels, strict=True)))
        lux = reading.lux(rig.meter.constant_of(reading.receptor))
        rounding = reading.rounding_lux(lux) / (max(lux, 1e-3) * math.log(2))
        sigma = math.hypot(rig.meter.sigma, rounding, hand_stops(here, look, outputs))
        row = self._take(_HeadReadings(look, outputs, lux, sigma), unix_s)
        drift = [self._drift_words(name) for name in row.heads if name in self._at]
        return "; ".join(drift) or "too little of that light is the heads' own to tell"

    def hear(self, order: SensorReport, unix_s: float) -> str:
        """Take in what the sensor at the subject says; what came of it."""
        table = self._rig.sensors[order.name]
        try:
            lux = lux_from_reading(order.value, order.unit or table.unit, DEFAULT_CONSTANT[table.receptor])
        except ValueError as error:
            raise Refusal("bad_order", str(error), "value") from None
        changed = self._studio.light.light_changed_at
        if not self._studio.light.settled or (changed is not None and 0 <= unix_s - changed < REST_S):
            return "not counted; the light moves"
        if self._calibration is None:
            return "nothing is calibrated yet that could have drifted"
        now = self._studio.clock()
        if now - self._heard_s < SENSOR_EVERY_S:
            return f"noted; one value in {SENSOR_EVERY_S:.0f} s counts"
        outputs = self._studio.light.scene.dimmers.outputs(self._studio.light.codes)
        if not np.any(outputs > 0):
            return "not counted; no head is lit"
        if why := self._why_not():
            return f"not counted; {why}"
        self._heard_s = now
        look = look_of_sensor(table, self._rig)
        row = self._take(_HeadReadings(look, outputs, lux, SENSOR_NOISE_STOPS, by_sensor=True), unix_s)
        return "; ".join(self._drift_words(name) for name in row.heads if name in self._at)

    def _calibrated(self) -> Scene:
        """The rig as it was calibrated, in the room's light of now."""
        made = self._made
        if made is None or made[0] is not self._rig or made[1] is not self._calibration:
            made = self._made = self._rig, self._calibration, scene(self._rig, self._calibration)
        return made[2]

    def _take(self, seen: _HeadReadings, unix_s: float) -> Row:
        calibration = self._calibration
        assert calibration is not None, "there is something to hold it against"
        here = self._calibrated()
        own = at_full_lux(here, seen.look) * seen.outputs
        lux = {name: float(v) for name, v in zip(here.names, own, strict=True) if v > 0}
        room = room_lux(self._studio.light.scene, seen.look)
        drifts = self._drifts.later(unix_s)
        row = row_of(drifts, seen.lux, lux, room, seen.sigma_stops, seen.by_sensor)
        drifts = drifts.knowing({name: calibrated_stops(calibration, name) for name in row.heads})
        for name, share in zip(row.heads, row.shares, strict=True):
            if share >= TELLS_FROM:
                self._at[name] = unix_s
            if share >= ALONE_FROM:
                expected = sum(lux.values()) + room
                off = math.log2(max(seen.lux, 1e-3) / expected)
                self._warming.read(name, off, seen.sigma_stops)
        warming = [name for name in row.heads if self._warming.to_come_stops(name) is not None]
        self._drifts = drifts.loosened(warming, WARMING_STOPS).heard(row)
        return row

    def replay(self, readings: Sequence[tuple[Reading, float, bool]]) -> None:
        """What was told before a restart, since the calibration and oldest first: readings with their Unix
        times, and whether of a line-up."""
        began_s = readings[0][1] if readings else self._drifts.at_s
        self._drifts, self._at = Drifts.unread(self._sensor_sd_stops(), began_s), {}
        self._warming.forget()
        if self._calibration is None:
            return
        known = {head.name for head in self._rig.heads}
        for reading, unix_s, of_lineup in readings:
            named = {*reading.heads, reading.facing} - {OWN_HEAD, CAMERA}
            if reading.heads and named <= known and not (of_lineup and self._is_nearer(reading)):
                self.read(reading, unix_s)
        self._warming.forget()

    def lined_up(self, reading: Reading, unix_s: float) -> None:
        """Take in a line-up's reading, but none nearer to a head: there a stand that moved shows twice."""
        if self._calibration is not None and reading.heads and not self._is_nearer(reading):
            self.read(reading, unix_s)

    def _is_nearer(self, reading: Reading) -> bool:
        apart = [math.dist(reading.at, mark) for mark in self._rig.marks.values()]
        return reading.facing != CAMERA and reading.receptor == "flat" and min(apart) > AT_A_MARK_M

    def light_replaced(self) -> None:
        """Forget drift and correction of what was calibrated anew."""
        old, rig = self._calibration, self._rig
        self._calibration, self._rig = self._studio.light.calibration, self._studio.light.scene.rig
        names = {head.name for head in self._rig.heads}
        gone = {
            name
            for name in self._drifts.names
            if name not in names or not same_basis(name, old, self._calibration)
        }
        self._drifts = self._drifts.without(gone)
        if rig.sensors != self._rig.sensors:
            self._drifts = self._drifts.with_sensor(self._sensor_sd_stops())
        for name in gone:
            self._at.pop(name, None)
            self._warming.forget(name)
        self._corrections = dict(self._studio.light.corrected)

    def turn(self, routine: bool) -> None:
        """Lead corrections on; to be called every few seconds. While a routine runs they stay."""
        now = self._studio.clock()
        elapsed_s = min(max(now - self._turned_s, 0.0), LONGEST_TURN_S)
        self._turned_s = now
        here = self._studio.light.scene
        lit = here.dimmers.outputs(self._studio.light.codes) > 0
        self._warming.lit([name for name, on in zip(here.names, lit, strict=True) if on])
        wanted = bool(self._corrections) or any(head.correct_drift is not None for head in self._rig.heads)
        if wanted and not routine and self._studio.light.acts:
            self._lead_on(elapsed_s)

    def _lead_on(self, elapsed_s: float) -> None:
        for head in self._rig.heads:
            by = self._led_on(head.name, head.correct_drift, elapsed_s)
            if by:
                self._corrections[head.name] = by
            else:
                self._corrections.pop(head.name, None)
        present = self._studio.light.corrected
        apart = [
            abs(self._corrections.get(n, 0.0) - present.get(n, 0.0)) for n in {*self._corrections, *present}
        ]
        ended = any(name not in self._corrections for name in present)
        if ended or max(apart, default=0.0) >= STEP_STOPS:
            self._studio.learned(HeadsCorrected(tuple(sorted(self._corrections.items()))))

    def _led_on(self, name: str, table: CorrectDrift | None, elapsed_s: float) -> float:
        present = self._corrections.get(name, 0.0)
        if table is None:
            rate = self._rates.get(name, CorrectDrift().per_hour)
            return slow_correction(present, 0.0, elapsed_s, per_hour=rate)
        self._rates[name] = table.per_hour
        if name not in self._at or self._warming.to_come_stops(name) is not None:
            return present
        off, sigma = self._drifts.off(name)
        # Known drifts are corrected; so is a correction that is known to be wrong.
        if max(abs(off), abs(off + present)) <= expanded(sigma):
            return present
        return slow_correction(present, off, elapsed_s, per_hour=table.per_hour, most=table.most)

    def _drift_of(self, name: str) -> HeadDrift:
        off, sigma = self._drifts.off(name) if name in self._at else (None, None)
        to_come = self._warming.to_come_stops(name)
        return HeadDrift(
            name, off, sigma, to_come, self._studio.light.corrected.get(name, 0.0), self._at.get(name)
        )

    def _drift_words(self, name: str) -> str:
        return self._drift_of(name).words

    def _all_drifts(self) -> list[HeadDrift]:
        present = self._studio.light.corrected
        names = [head.name for head in self._rig.heads]
        return [self._drift_of(name) for name in names if name in self._at or name in present]

    def state(self) -> list[dict[str, Any]] | None:
        """What doors show of each head that was told of; None where none ever was."""
        return [drift.as_data() for drift in self._all_drifts()] or None

    def notes(self) -> tuple[str, ...]:
        """A line for each head that is off by more than can be overlooked, or still warms up."""
        return tuple(filter(None, map(note_on, self._all_drifts())))
