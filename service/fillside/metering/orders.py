"""Takes the meter's orders: readings by hand, and the guided routines.

A reading is acknowledged once it is on the disk. Orders are carried out one after the other, for each may
change what the next one means.
"""

from __future__ import annotations

import asyncio
import logging
import sqlite3
from typing import Any

from pydantic import ValidationError

from fillside.background.worker_process import WorkerError
from fillside.belief.evidence import (
    HeadEvent,
    Reading,
    ReadingError,
    TapeMeasure,
    check_against,
    check_piece,
)
from fillside.belief.evidence_table import evidence_from_csv
from fillside.belief.result.comparing import shared_words
from fillside.metering.calibrations import MOST_IN_A_FIT, Calibrator, StoredFit
from fillside.metering.daylight import Daylight
from fillside.metering.drift import Drift
from fillside.metering.guided_routine import GuidedRoutine
from fillside.metering.metered_studio import MeteredStudio
from fillside.metering.readings import (
    CHECK,
    as_lit,
    beside_words,
    counted_words,
    event_of,
    is_tape,
    keep,
    keep_all,
    outcome_words,
    reading_of,
    says_of_light,
    strike,
    sure_words,
    taken_words,
    tape_of,
    told_words,
)
from fillside.metering.rig_watch import RigWatch
from fillside.metering.routine.steps import Asks
from fillside.orders.answers import Refusal
from fillside.orders.metering import (
    CalibrateOrder,
    HeadEventOrder,
    Import,
    LineupOrder,
    Read,
    RoundOrder,
    SensorReport,
    Strike,
    UseCalibration,
)
from fillside.orders.model import MeterOrder
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig
from fillside.runtime.studio import MeterView
from fillside.storage.errors import NotStoredError, disk_trouble
from fillside.storage.records import metering as kept
from fillside.storage.rows import purpose_of
from fillside.storage.store import Store
from fillside.system_errors import why

log = logging.getLogger(__name__)


class MeterOrders:
    """Carries out the meter's orders; all methods are called on the event loop's thread."""

    def __init__(
        self,
        store: Store,
        studio: MeteredStudio,
        calibrator: Calibrator,
        daylight: Daylight,
        drift: Drift,
        rig_watch: RigWatch | None = None,
    ) -> None:
        self._store, self._studio, self._calibrator, self._daylight = store, studio, calibrator, daylight
        self._drift, self._rig_watch = drift, rig_watch or RigWatch(store)
        self._guide = GuidedRoutine(store, studio, calibrator, drift)
        self._one_at_a_time = asyncio.Lock()

    async def open(self) -> None:
        """Take up what was under way when the last run ended."""
        self._rig_watch.look(self._studio.light.scene.rig)
        try:
            await self._recall_drift()
        except Exception:  # kept data that was right by itself and is not together
            log.exception("readings of drift cannot be weighed")
            self._store.add_note("earlier readings of drift cannot be weighed; drift is learned anew")
        await self._guide.open()

    def view(self) -> MeterView:
        """The part of the state that metering adds: the routine that is under way, daylight, and drift."""
        used = self._calibrator.used
        changed = self._rig_watch.notes(() if used is None else used.readings)
        notes = (*changed, *self._daylight.notes(), *self._drift.notes())
        return MeterView(self.routine(), self._daylight.state(), self._drift.state(), notes)

    def routine(self) -> dict[str, Any] | None:
        """The step of a routine that is under way; None when none is."""
        step = self._guide.step
        return None if step is None else {**step.model_dump(mode="json"), "weighing": self._calibrator.busy}

    def turn(self) -> None:
        """Let slow corrections go on; to be called every few seconds."""
        self._drift.turn(self._routine_runs)

    def light_replaced(self) -> None:
        """Hand a new held light what was learned since of the room and of heads."""
        self._rig_watch.look(self._studio.light.scene.rig)
        self._daylight.light_replaced()
        self._drift.light_replaced()

    async def close(self) -> None:
        """End what goes on apart; readings are kept."""
        await self._calibrator.close()

    async def do(self, order: MeterOrder, who: str) -> str:
        """Carry out an order; its note. Refusal when it is not obeyed."""
        try:
            note = await self._carried_out(order, who)
        except ReadingError as error:
            raise Refusal("bad_order", str(error)) from None
        except WorkerError as error:
            log.error("the readings cannot be weighed: %s", error)
            raise Refusal("not_now", "the readings are kept, but cannot be weighed; see the log") from None
        except (sqlite3.Error, NotStoredError) as error:
            raise Refusal("not_now", f"it cannot be kept: {disk_trouble(error) or why(error)}") from None
        self._studio.changed()
        return note

    async def _carried_out(self, order: MeterOrder, who: str) -> str:
        if isinstance(order, Read):
            return await self._read(order, who)
        if isinstance(order, SensorReport):
            return await self._hear(order)
        async with self._one_at_a_time:
            if isinstance(order, HeadEventOrder):
                return await self._told(event_of(order, self._rig), who)
            if isinstance(order, Strike):
                return await self._strike(order)
            if isinstance(order, UseCalibration):
                return await self._use(order)
            if isinstance(order, Import):
                return await self._import(order, who)
            if isinstance(order, CalibrateOrder | LineupOrder | RoundOrder):
                return await self._act(order)
        raise TypeError(f"nothing carries out {order.do}")

    async def _hear(self, order: SensorReport) -> str:
        table = self._rig.sensors.get(order.name)
        if table is None or table.watches == "daylight":
            return self._daylight.hear(order, self._studio.unix_clock())
        if self._routine_runs:
            return "not counted while a routine is under way"
        return await self._drift.hear(order, self._studio.unix_clock())

    @property
    def _routine_runs(self) -> bool:
        step = self._guide.step
        return step is not None and not step.left and step.stage != "done"

    async def _act(self, order: CalibrateOrder | LineupOrder | RoundOrder) -> str:
        try:
            return await self._guide.act(order.do, order.act, order.item, self._studio.unix_clock())
        except KeyError as error:
            raise Refusal("unknown_name", str(error.args[0]), "item") from None

    @property
    def _rig(self) -> Rig:
        return self._studio.rig

    async def _read(self, order: Read, who: str) -> str:
        if is_tape(order):
            asked = self._guide.asked if self._guide.asks_tape(order.head) else None
            if asked is not None:
                order = order.model_copy(update={"head": asked.head, "at": order.at or asked.at})
            tape = tape_of(order, self._rig, self._studio.now())
            async with self._one_at_a_time:
                if asked is not None and self._guide.asked == asked:
                    return await self._guide.take(tape, self._studio.unix_clock(), who)
                return await self._told(tape, who)
        if order.check:
            return await self._check(order, who)
        asked = self._guide.asked if order.head is None else None
        if asked is not None:
            order = _as_asked(order, asked)
        elif order.head is None:
            if (step := self._guide.step) is not None and step.stage != "done":
                raise Refusal("not_now", "a routine is begun: go on in it, or say which head was lit", "head")
            order = as_lit(order, self._rig, self._studio.now())
        if order.virtual:
            order = await self._by_hand_meter(order, asked)
        async with self._one_at_a_time:
            if asked is not None:
                if self._guide.asked != asked:
                    raise Refusal(
                        "not_now", "the routine has gone on meanwhile; this reading is not what it asks now"
                    )
                await self._guide.ready()
            reading = check_against(reading_of(order, self._rig, self._studio.now()), self._rig)
            reading = self._daylight.beside(reading)
            if asked is not None:
                return await self._guide.take(reading, self._studio.unix_clock(), who)
            return await self._taken(reading, who)

    async def _check(self, order: Read, who: str) -> str:
        """Take a reading that only tells of drift."""
        if self._routine_runs:
            raise Refusal("not_now", "a routine is under way; it asks for the readings it needs")
        if order.virtual:
            order = await self._by_hand_meter(order, None)
        now = self._studio.now()
        reading = check_against(reading_of(as_lit(order, self._rig, now), self._rig, now), self._rig)
        reading = self._daylight.beside(reading)
        if not reading.heads:
            raise ReadingError("with no head lit there is no drift to see")
        async with self._one_at_a_time:
            self._drift.ready(reading)
            number = await keep(self._store, reading, CHECK, who)
            drift_words = await self._drift.read(reading, self._studio.unix_clock())
        return f"reading {number} noted: {drift_words}{beside_words(reading, now, self._rig)}"

    async def _recall_drift(self) -> None:
        """Weigh anew all that was read since the calibration in use was made."""
        used = self._calibrator.used
        entries = [] if used is None else await asyncio.to_thread(kept.checks_since, self._store, used.at)
        understood = kept.valid_readings(self._store, entries)
        drift_words = [(reading, one.at, one.purpose != CHECK) for one, reading in understood]
        await self._drift.replay(drift_words, None if used is None else used.at)

    async def _taken(self, reading: Reading, who: str) -> str:
        """Weigh a reading outside a routine with those of the calibration in use."""
        await self._calibrator.take_in()
        number = await keep(self._store, reading, "calibrate", who)
        before = self._calibrator.calibration
        numbers = await self._calibrator.numbers_with([number], self._guide.readings)
        fitted = await self._calibrator.fit(self._rig, numbers)
        await self._adopt(fitted)
        beside = beside_words(reading, self._studio.now(), self._rig)
        shared = shared_words(self._rig, before, fitted.calibration, reading.heads)
        return f"{taken_words(number, fitted.remark)}{beside}{sure_words(fitted.calibration)}{shared}"

    async def _told(self, piece: TapeMeasure | HeadEvent, who: str) -> str:
        """Weigh a tape measure or an event with the evidence of the calibration in use and, in a routine,
        with that of the routine besides."""
        check_piece(piece, self._rig)
        await self._calibrator.take_in()
        number = await keep(self._store, piece, purpose_of(piece), who)
        before, words = self._calibrator.calibration, told_words(number, piece, self._rig)
        numbers = await self._calibrator.numbers_with([number], self._guide.readings)
        fitted = await self._calibrator.fit(self._rig, numbers)
        if says_of_light(fitted.calibration):
            await self._adopt(fitted)
            words += outcome_words(self._rig, piece.head, before, fitted.calibration)
        else:
            words += "; nothing is metered yet, so the light stays as it is"
        await self._guide.told()
        return words

    async def _adopt(self, fitted: StoredFit) -> None:
        try:
            await self._calibrator.adopt(self._rig, fitted.calibration, fitted.numbers)
        except NotStoredError as error:
            reason = f"the readings are kept, but not the calibration that they make: {error}"
            raise Refusal("not_now", reason) from None

    async def _by_hand_meter(self, order: Read, asked: Asks | None) -> Read:
        """The order with the value of the simulated meter, once the light rests."""
        meter, step = self._studio.hand_meter(), self._guide.step
        if meter is None:
            raise Refusal("not_now", "there is no simulated meter: not every lamp of this rig is simulated")
        try:
            await self._studio.rest()
        except TimeoutError:
            raise Refusal("not_now", "the light does not come to rest") from None
        if asked is not None:
            await self._guide.ready()
        order = as_lit(order, self._rig, self._studio.now()) if order.check else order
        reading = reading_of(
            order.model_copy(update={"value": 1.0, "unit": "lux"}), self._rig, self._studio.now()
        )
        flagged = step.flag if asked is not None and step is not None else ()
        lux = meter.lux(check_against(reading, self._rig), flagged)
        return order.model_copy(update={"value": float(f"{lux:.4g}"), "unit": "lux"})

    async def _strike(self, order: Strike) -> str:
        if not await strike(self._store, order.reading, order.why):
            raise Refusal("unknown_name", f"there is no reading {order.reading} that counts", "reading")
        await self._recall_drift()
        self._drift.retracted()
        of_routine = await self._guide.struck(order.reading)
        used = self._calibrator.used
        # A routine that checks what it read uses its calibration already, and may be left for good.
        if used is not None and order.reading in used.readings:
            left = [number for number in used.readings if number != order.reading]
            fitted = await self._calibrator.fit(self._rig, left)
            if says_of_light(fitted.calibration):
                await self._adopt(fitted)
            else:
                await self._calibrator.go_back(self._rig, None)
        if not of_routine:
            await self._guide.told()
        return f"reading {order.reading} no longer counts"

    async def _use(self, order: UseCalibration) -> str:
        if not await self._calibrator.go_back(self._rig, order.use):
            raise Refusal("unknown_name", f"there is no calibration {order.use}", "use")
        return "the rig file alone is in use" if order.use is None else f"calibration {order.use} is in use"

    async def _import(self, order: Import, who: str) -> str:
        if order.readings is not None:
            return await self._import_readings(order.readings, who)
        try:
            calibration = Calibration.model_validate(order.calibration)
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            where = ".".join(map(str, first["loc"]))
            raise Refusal("bad_order", f"{where}: {first['msg']}", f"calibration.{where}") from None
        strangers = calibration.unknown_heads(self._rig)
        if strangers:
            raise Refusal("unknown_name", f"this rig has no head {', '.join(strangers)}", "calibration.heads")
        number = await self._calibrator.adopt(self._rig, calibration, ())
        return f"calibration {number} is kept and used"

    async def _import_readings(self, text: str, who: str) -> str:
        evidence = await asyncio.to_thread(evidence_from_csv, text, self._rig)
        pieces = evidence.pieces
        if len(pieces) > MOST_IN_A_FIT:
            raise ReadingError(
                f"{len(pieces)} readings are more than the {MOST_IN_A_FIT} that can be weighed"
            )
        await self._calibrator.take_in()
        numbers = await keep_all(self._store, pieces, who)
        before, read = self._calibrator.calibration, {n for one in evidence.readings for n in one.heads}
        read |= {tape.head for tape in evidence.tapes} | {event.head for event in evidence.events}
        fitted = await self._calibrator.fit(
            self._rig, await self._calibrator.numbers_with(numbers, self._guide.readings)
        )
        if not says_of_light(fitted.calibration):
            return f"{counted_words(evidence)} taken; nothing is metered yet, so the light stays as it is"
        await self._adopt(fitted)
        shared = shared_words(self._rig, before, fitted.calibration, read)
        return f"{counted_words(evidence)} taken{sure_words(fitted.calibration)}{shared}"


def _as_asked(order: Read, asked: Asks) -> Read:
    """The order with what the routine asks for where it says nothing; levels are those on the wires."""
    return order.model_copy(
        update={
            "head": asked.head,
            "level": None,
            "at": order.at or asked.at,
            "receptor": order.receptor or asked.receptor,
            "facing": order.facing or asked.facing,
        }
    )
