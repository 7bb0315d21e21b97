"""Lux sensors on the broker: selects the messages that count as readings. Pure except
for a memory of the last ones.

A sensor sends all day. A message counts if it is wanted: when a routine asks for a reading that this sensor
can give, or while one head is alone; and then once, until something else is asked for or the light has
changed. A message that names its head is a reading in any case, like one from a handheld meter. Sensors that
the rig file assigns to the daylight or the heads always count.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import Any

from fillside.orders.answers import Refusal
from fillside.orders.strict_json import strict_loads
from fillside.rig.fields import NAME, Point
from fillside.rig.tables.doors import MeterTable
from fillside.rig.tables.model import Rig

State = Mapping[str, Any]
Order = dict[str, Any]

REST_S = 1.5
"""A sensor averages and sends at its own times: soon after a change, its value may be
of the previous light [s]."""
SAME_PLACE_M = 0.05
READING_KEYS = ("head", "level", "at", "receptor", "facing", "note")

_NUMBER = re.compile(rb"\s*[+-]?(\d{1,20}(\.\d{0,20})?|\.\d{1,20})([eE][+-]?\d{1,2})?\s*")
_NAME = re.compile(NAME.pattern)
_UNKNOWN = MeterTable()


def value_of(payload: bytes) -> Order:
    """Return the fields of a reading in a sensor's message. Raises Refusal.

    >>> value_of(b"640"), value_of(b'{"value": 8.3, "unit": "ev100"}')
    ({'value': 640.0}, {'value': 8.3, 'unit': 'ev100'})
    """
    if _NUMBER.fullmatch(payload):
        return {"value": float(payload)}
    fields = strict_loads(payload)
    if isinstance(fields, int | float) and not isinstance(fields, bool):
        return {"value": float(fields)}
    if not isinstance(fields, dict) or "value" not in fields:
        raise Refusal("bad_order", 'a reading is a number, or {"value": 640, "unit": "lux"}', "value")
    for key in fields:
        if key not in ("value", "unit", *READING_KEYS):
            raise Refusal("bad_order", f"{key[:32]!r} is nothing a meter can say", key[:32])
    return fields


class Sensors:
    """The rig's sensors, and the moment of the last reading taken from each."""

    def __init__(self, rig: Rig) -> None:
        self._tables = rig.doors.mqtt.meters if rig.doors.mqtt is not None else {}
        self._marks, self._daylight = rig.marks, rig.sensors
        self._taken: dict[str, Any] = {}

    def reading(
        self, name: str, payload: bytes, came_unix_s: float, state_now: Callable[[], State]
    ) -> Order | None:
        """Return the reading in a message; None if it is not wanted or was taken already.

        Raises Refusal for a message that is not a reading, and for a reading of light that has just moved.
        """
        if not _NAME.fullmatch(name):
            raise Refusal("unknown_name", "a meter's name is small letters, digits and hyphens", "meter")
        if name in self._daylight:
            return {"do": "sensor", "name": name, **value_of(payload)}
        table = self._tables.get(name, _UNKNOWN)
        reading = {"do": "read", "unit": table.unit, **_in_file(table), **value_of(payload)}
        if "head" in reading:
            return reading
        state = state_now()
        wanted = self._wanted(table, reading, state)
        if wanted is None or self._taken.get(name) == wanted[0]:
            return None
        _check_still(state, came_unix_s)
        self._taken[name] = wanted[0]
        return wanted[1]

    def forget(self, name: str) -> None:
        """Let a sensor give its reading again, since it was refused."""
        self._taken.pop(name, None)

    def _wanted(self, table: MeterTable, reading: Order, state: State) -> tuple[Any, Order] | None:
        """Return the moment for which a reading of this sensor is wanted, and the order for it."""
        routine = state.get("routine")
        if routine is not None:
            asks = routine["asks"]
            if asks is None or not self._can_give(table, asks):
                return None
            return (routine["number"], asks), reading
        alone = next((head for head in state["heads"] if head["name"] == state["alone"]), None)
        if alone is None:
            return None
        lit = {"head": alone["name"], "level": alone["level"]}
        return (lit, state["light_changed_at"]), {"at": list(state["subject"]), **reading, **lit}

    def _can_give(self, table: MeterTable, asks: Mapping[str, Any]) -> bool:
        """Return true if a sensor is where a routine wants the meter, and of the
        right kind, as far as is known."""
        place = self._place(table)
        if place is not None and math.dist(place, asks["at"]) > SAME_PLACE_M:
            return False
        stated = table.model_fields_set
        return all(key not in stated or getattr(table, key) == asks[key] for key in ("receptor", "facing"))

    def _place(self, table: MeterTable) -> Point | None:
        return self._marks[table.at] if isinstance(table.at, str) else table.at


def _in_file(table: MeterTable) -> Order:
    """Return the fields that the rig file states for a sensor, besides its unit."""
    found: Order = {key: getattr(table, key) for key in ("at", "receptor", "facing")}
    found = {
        key: value for key, value in found.items() if key in table.model_fields_set and value is not None
    }
    return {key: list(value) if isinstance(value, tuple) else value for key, value in found.items()}


def _check_still(state: State, came_unix_s: float) -> None:
    changed_s = state["light_changed_at"]
    if not state["settled"] or (changed_s is not None and came_unix_s - changed_s < REST_S):
        raise Refusal("not_now", "the light has just moved; a reading counts once it stands still")
