"""The drift of the heads, as readings and a sensor at the subject tell, and its correction.

What is seen is held against the calibration, whatever is corrected: a drift stays what it is while the light
makes up for it. The correction itself is the hold's. What a hand's meter told is corrected at the pace of the
hold; what a sensor tells is led on, a little at a time.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from fillside.belief.belief import Belief
from fillside.belief.evidence import CAMERA, OWN_HEAD, Reading, SensorValue
from fillside.belief.result.expanded_uncertainty import expanded
from fillside.belief.result.restoring import known_belief
from fillside.belief.since.drift import TELLS_FROM, Drifts, Sighting, drifts
from fillside.hold.events import HeadsCorrected
from fillside.hold.memory.carry_over import same_basis
from fillside.metering.metered_studio import MeteredStudio, sensor_lux
from fillside.metering.routine.warmth import Warming
from fillside.orders.answers import Refusal
from fillside.orders.metering import SensorReport
from fillside.rig.tables.head import CorrectDrift

SENSOR_EVERY_S = 30.0
"""A sensor speaks all day; so often it is listened to."""
MOST_SIGHTINGS = 60
REST_S = 1.5
"""A sensor averages: so soon after a change it may tell of the light before."""
ALONE_FROM = 0.9
"""From this share of a reading's light on it is of one head alone."""
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
        """True if the head is off by more than can be overlooked and more than chance explains."""
        if self.off_stops is None or self.sigma_stops is None:
            return False
        return abs(self.off_stops) > max(SEEN_STOPS, expanded(self.sigma_stops))

    @property
    def says(self) -> str:
        """The condition of the head in a word or two."""
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
        """The drift as data for JSON."""
        return {
            "head": self.head,
            "off_stops": None if self.off_stops is None else round(self.off_stops, 3),
            "sigma_stops": None if self.sigma_stops is None else round(self.sigma_stops, 3),
            "says": self.says,
            "corrected_stops": round(self.corrected_stops, 3),
            "at": self.at,
        }

    @property
    def note(self) -> str:
        """A line for people on a head that warms up, is off or is corrected; empty where all is well.

        >>> HeadDrift("key", None, None, None, -0.26, None).note
        'key was not read since the start, and drifted before; the balance makes up for 0.26 stop of it'
        """
        if self.to_come_stops is not None:
            return f"{self.head} is still warming up: about {abs(self.to_come_stops):.1f} stop to come"
        undone = ""
        if abs(self.corrected_stops) >= STEP_STOPS:
            undone = f"; the balance makes up for {abs(self.corrected_stops):.2f} stop of it"
        if self.off_stops is None and undone:
            return f"{self.words}, and drifted before{undone}"
        if not self.is_off:
            return ""
        return f"{self.words}{undone}; line up to see whether the lamp or the stand changed"


def slow_correction(
    corrected_stops: float, drift_stops: float, elapsed_s: float, *, per_hour: float = 0.2, most: float = 0.5
) -> float:
    """The correction [stops] to use after `elapsed_s`, on the way from the present one to undoing a drift.

    A head that gives `drift_stops` more than calibrated is corrected by as much less, at most `per_hour`
    stops an hour and never by more than `most` stops.

    >>> slow_correction(0.0, -0.3, 1800.0)
    0.1
    """
    wanted = min(max(-drift_stops, -most), most)
    step = per_hour * max(elapsed_s, 0.0) / 3600
    return min(max(wanted, corrected_stops - step), corrected_stops + step)


class Drift:
    """The drift of each head, and its correction.

    Values come with their Unix times; corrections go on by the studio's clock.
    """

    def __init__(self, studio: MeteredStudio, unix_s: float = 0.0, warming: Warming | None = None) -> None:
        self._studio, self._began_s = studio, unix_s
        self._calibration, self._rig = studio.light.calibration, studio.light.scene.rig
        self._belief: Belief | None = None
        self._sightings: list[Sighting] = []
        self._off: dict[str, tuple[float, float]] = {}
        self._warming = Warming(studio.clock) if warming is None else warming
        self._at: dict[str, float] = {}
        self._by_hand: set[str] = set()
        self._heard_s = -math.inf
        self._turned_s = studio.clock()
        self._corrections: dict[str, float] = dict(studio.light.corrected)
        self._rates: dict[str, float] = {}
        self._one_at_a_time = asyncio.Lock()

    def ready(self, reading: Reading) -> None:
        """Raise Refusal where there is no calibration to hold a reading against, or its heads do not
        obey."""
        if self._calibration is None:
            raise Refusal("not_now", "nothing is calibrated yet that could have drifted; calibrate first")
        if why := self._why_not(reading.heads):
            raise Refusal("not_now", f"{why}, so nothing can be told of its lamp")

    def _why_not(self, heads: Collection[str] | None = None) -> str:
        """The reason why the light of these heads, or of any, is not as levels say; empty where it is."""
        names = [name for name in self._studio.light.unwell if heads is None or name in heads]
        return f"{names[0]} does not obey" if names else ""

    async def read(self, reading: Reading, unix_s: float) -> str:
        """Take in a reading of heads at levels, once a calibration is there; returns the note on it."""
        tells = await self._take(reading, unix_s)
        self._by_hand.update(tells)
        self._correct(0.0)
        words = [self._drift_of(name).words for name in tells]
        return "; ".join(words) or "too little of that light is the heads' own to tell"

    async def hear(self, order: SensorReport, unix_s: float) -> str:
        """Take in a value of the sensor at the subject; returns the note on it."""
        table = self._rig.sensors[order.name]
        lux = sensor_lux(order, table)
        changed = self._studio.light.light_changed_at
        if not self._studio.light.settled or (changed is not None and 0 <= unix_s - changed < REST_S):
            return "not counted; the light moves"
        if self._calibration is None:
            return "nothing is calibrated yet that could have drifted"
        now = self._studio.clock()
        if now - self._heard_s < SENSOR_EVERY_S:
            return f"noted; one value in {SENSOR_EVERY_S:.0f} s counts"
        lit = {name: level for name, level in self._studio.now().levels.items() if level > 0}
        if not lit:
            return "not counted; no head is lit"
        if why := self._why_not():
            return f"not counted; {why}"
        self._heard_s = now
        assert table.at is not None, "the file says where a sensor is that watches the heads"
        assert table.facing is not None, "and where it looks"
        at, faced = self._rig.point_of(table.at), self._rig.point_of(table.facing)
        sky = self._studio.light.daylight
        shown = SensorValue(tuple(lit), tuple(lit.values()), at, faced, table.receptor == "dome", lux, sky)
        return "; ".join(self._drift_of(name).words for name in await self._take(shown, unix_s))

    async def _take(self, shown: Reading | SensorValue, unix_s: float) -> list[str]:
        """Weigh a value with all earlier ones, apart from the light; returns the heads that it tells of."""
        names = [head.name for head in self._rig.heads]
        async with self._one_at_a_time:
            warming = tuple(name for name in names if self._warming.to_come_stops(name) is not None)
            self._sightings = [*self._sightings[1 - MOST_SIGHTINGS :], Sighting(shown, unix_s, warming)]
            found = await asyncio.to_thread(self._weighed)
        off, sd = float(found.off[-1]), self._rig.meter.sigma
        for name, share in zip(names, found.shares[-1].tolist(), strict=True):
            if share >= ALONE_FROM:
                self._warming.read(name, off, sd)
        return self._learn(found)[-1]

    def _weighed(self) -> Drifts:
        if self._belief is None:
            self._belief = known_belief(self._rig, self._calibration)
        return drifts(self._belief, self._sightings, self._began_s)

    def _learn(self, found: Drifts) -> list[list[str]]:
        """Keep the drifts that were found; returns the heads that each sighting tells of."""
        names = [head.name for head in self._rig.heads]
        tells = [
            [n for n, share in zip(names, own, strict=True) if share >= TELLS_FROM] for own in found.shares
        ]
        for sighting, heads in zip(self._sightings, tells, strict=True):
            self._at.update(dict.fromkeys(heads, sighting.at_s))
        drifted = dict(zip(names, zip(found.stops.tolist(), found.sd.tolist(), strict=True), strict=True))
        self._off = {name: drifted[name] for name in self._at if name in drifted}
        return tells

    async def replay(self, readings: Sequence[tuple[Reading, float, bool]], since_s: float | None) -> None:
        """Weigh all sightings since the calibration anew, oldest first: readings with their Unix times,
        and true for those of a line-up. The calibration is of the time `since_s`, None without one."""
        known = {head.name for head in self._rig.heads}
        self._began_s = self._began_s if since_s is None else since_s
        self._sightings, self._at, self._off = [], {}, {}
        self._warming.forget()
        for reading, unix_s, of_lineup in readings[-MOST_SIGHTINGS:]:
            named = {*reading.heads, reading.facing} - {OWN_HEAD, CAMERA}
            if reading.heads and named <= known and not (of_lineup and self._is_nearer(reading)):
                self._sightings.append(Sighting(reading, unix_s))
        if self._sightings and self._calibration is not None:
            self._learn(await asyncio.to_thread(self._weighed))

    def retracted(self) -> None:
        """Correct anew after a reading that no longer counts."""
        self._by_hand = set(self._at)
        for name in self._corrections.keys() - self._off.keys():
            del self._corrections[name]
        self._correct(0.0)

    async def lined_up(self, reading: Reading, unix_s: float) -> None:
        """Take in a line-up's reading, but none nearer to a head: there a stand that moved shows twice."""
        if self._calibration is not None and reading.heads and not self._is_nearer(reading):
            self._by_hand.update(await self._take(reading, unix_s))

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
            for name in {head.name for head in rig.heads} | names
            if name not in names or not same_basis(name, old, self._calibration)
        }
        same_sensor = rig.sensors == self._rig.sensors
        self._sightings = [
            one
            for one in self._sightings
            if not gone & set(one.shown.heads) and (same_sensor or isinstance(one.shown, Reading))
        ]
        for name in gone:
            self._at.pop(name, None)
            self._off.pop(name, None)
            self._warming.forget(name)
        self._by_hand -= gone
        self._belief, self._corrections = None, dict(self._studio.light.corrected)

    def turn(self, routine: bool) -> None:
        """Lead corrections on; to be called every few seconds. While a routine runs they stay."""
        now = self._studio.clock()
        elapsed_s = min(max(now - self._turned_s, 0.0), LONGEST_TURN_S)
        self._turned_s = now
        here = self._studio.light.scene
        lit = here.dimmers.outputs(self._studio.light.codes) > 0
        self._warming.lit([name for name, on in zip(here.names, lit, strict=True) if on])
        if not routine:
            self._correct(elapsed_s)

    def _correct(self, elapsed_s: float) -> None:
        """Correct what is known of drifts, while the balance acts on the light."""
        if not self._studio.light.acts:
            return
        for head in self._rig.heads:
            by = self._corrected(head.name, head.correction, elapsed_s)
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

    def _corrected(self, name: str, table: CorrectDrift | None, elapsed_s: float) -> float:
        """The correction of a head from now on [stops]."""
        present = self._corrections.get(name, 0.0)
        if table is None:
            rate = self._rates.get(name, CorrectDrift().per_hour)
            return slow_correction(present, 0.0, elapsed_s, per_hour=rate)
        self._rates[name] = table.per_hour
        if name not in self._off or self._warming.to_come_stops(name) is not None:
            return present
        off, sigma = self._off[name]
        # Known drifts are corrected; so is a correction that is known to be wrong.
        if max(abs(off), abs(off + present)) <= expanded(sigma):
            return present
        if name in self._by_hand:
            self._by_hand.discard(name)
            elapsed_s = math.inf
        return slow_correction(present, off, elapsed_s, per_hour=table.per_hour, most=table.most)

    def _drift_of(self, name: str) -> HeadDrift:
        off, sigma = self._off.get(name, (None, None))
        to_come = self._warming.to_come_stops(name)
        return HeadDrift(
            name, off, sigma, to_come, self._studio.light.corrected.get(name, 0.0), self._at.get(name)
        )

    def _all_drifts(self) -> list[HeadDrift]:
        present = self._studio.light.corrected
        names = [head.name for head in self._rig.heads]
        return [self._drift_of(name) for name in names if name in self._at or name in present]

    def state(self) -> list[dict[str, Any]] | None:
        """The drift of each head that was read, as doors show it; None where none ever was."""
        return [drift.as_data() for drift in self._all_drifts()] or None

    def notes(self) -> tuple[str, ...]:
        """A line for each head that is off by more than can be overlooked, or still warms up."""
        return tuple(filter(None, (drift.note for drift in self._all_drifts())))
