"""The rig as a device of the Homie convention 5, so that home automation discovers it. Pure.

The wanted ratio, exposure, trims, mode and mark can be set; the present light can be read beside them. The
topics are ``homie/5/fillside-RIG/NODE/PROPERTY``, with ``/set`` appended to set one, and ``/$target`` for the
value last accepted, byte for byte.

Source: Homie convention 5 (homieiot.github.io/specification, read 2024-10-17): topics, `$state`,
`$description`, datatypes and formats, `/set` and `$target`, `$log`, `$alert`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from fillside.balance.judgement.verdict import CHOSEN
from fillside.orders.answers import Refusal
from fillside.rig.tables.model import WORK_ROLE, Rig

State = Mapping[str, Any]
Order = dict[str, Any]
Datatype = Literal["float", "boolean", "enum"]

VERSION = "5.0"
NO_MARK = "(none)"
"""The value of the property `mark` while the subject is at no mark."""
_FLOAT = re.compile(r"-?(\d{1,15}(\.\d{0,15})?|\.\d{1,15})([eE]-?\d{1,2})?", re.ASCII)


@dataclass(frozen=True)
class Property:
    """One property: its description, its value in a state, and the order given by setting it.

    `value` returns None while there is no value; `order` is None for a property that cannot be set.
    """

    node: str
    name: str
    label: str
    datatype: Datatype
    value: Callable[[State], str | None]
    format: str | None = None
    unit: str | None = None
    order: Callable[[Any, State], Order] | None = None
    retained: bool = True

    @property
    def path(self) -> str:
        return f"{self.node}/{self.name}"

    def description(self) -> dict[str, Any]:
        """Return the property's part of the description, without the defaults of the convention."""
        found: dict[str, Any] = {"name": self.label, "datatype": self.datatype}
        if self.format is not None:
            found["format"] = self.format
        if self.unit is not None:
            found["unit"] = self.unit
        if self.order is not None:
            found["settable"] = True
        if not self.retained:
            found["retained"] = False
        return found

    def read(self, payload: bytes) -> Any:
        """Return a payload's value. Raises Refusal if it is not of the datatype."""
        text = payload.decode("utf-8", "replace")
        if self.datatype == "float" and _FLOAT.fullmatch(text):
            return float(text)
        if self.datatype == "boolean" and text in ("true", "false"):
            return text == "true"
        if self.datatype == "enum" and text in (self.format or "").split(","):
            return text
        datatypes = {"float": "a number", "boolean": "true or false", "enum": f"one of {self.format}"}
        raise Refusal("bad_order", f"{self.path} is {datatypes[self.datatype]}, not {text[:40]!r}", self.path)

    def is_equal(self, payload: bytes, value: str) -> bool:
        """Return true if a payload means the same as a value of ours, however it is written."""
        try:
            theirs, ours = self.read(payload), self.read(value.encode("utf-8"))
        except Refusal:
            return False
        return math.isclose(theirs, ours, abs_tol=5e-4) if self.datatype == "float" else bool(theirs == ours)


def number_text(value: float | None) -> str | None:
    """Format a number by the convention, to three decimals.

    >>> number_text(2.0), number_text(-0.0001), number_text(0.3333), number_text(None)
    ('2', '0', '0.333', None)
    """
    if value is None or not math.isfinite(value):
        return None
    return f"{round(value, 3) + 0.0:.3f}".rstrip("0").rstrip(".")


def boolean_text(value: bool) -> str:
    return "true" if value else "false"


def _balance() -> Iterator[Property]:
    node = "balance"
    yield Property(
        node,
        "ratio",
        "Wanted ratio of key to fill",
        "float",
        lambda state: number_text(state["balance"]["ratio"]),
        format="0.001:1025",
        order=lambda value, _: {"do": "balance", "ratio": value},
    )
    yield Property(
        node,
        "exposure",
        "Wanted exposure at the subject",
        "float",
        lambda state: number_text(state["balance"]["exposure_lux"]),
        format="0.01:200000",
        unit="lx",
        order=lambda value, _: {"do": "expose", "to": value},
    )
    yield Property(
        node,
        "exposure-stops",
        "Exposure on top, in stops",
        "float",
        lambda state: number_text(state["balance"]["exposure_stops"]),
        format="-6:6",
        order=lambda value, state: {
            "do": "expose",
            "by": round(value - state["balance"]["exposure_stops"], 9),
        },
    )
    yield Property(
        node,
        "exposure-from",
        "Where the exposure comes from",
        "enum",
        lambda state: "camera" if state["balance"]["exposure"] == "camera" else "lux",
        format="camera,lux",
        order=lambda value, state: {
            "do": "expose",
            "to": "camera" if value == "camera" else state["balance"]["exposure_lux"],
        },
    )


def _studio(rig: Rig) -> Iterator[Property]:
    node = "studio"
    yield Property(
        node,
        "mode",
        "Mode",
        "enum",
        lambda state: str(state["mode"]),
        format="follow,freeze,dark",
        order=lambda value, _: {"do": value},
    )
    yield Property(
        node,
        "mark",
        "Where the subject is",
        "enum",
        lambda state: state["subject_seen"]["mark"] or NO_MARK,
        format=",".join((*rig.marks, NO_MARK)),
        order=_to_mark,
    )
    yield Property(
        node,
        "action",
        "Keep the light now as the balance, or undo the last order",
        "enum",
        lambda _: None,
        format="keep,undo",
        order=lambda value, _: {"do": value},
        retained=False,
    )
    yield Property(
        node, "settled", "Light stands still", "boolean", lambda state: boolean_text(bool(state["settled"]))
    )


def _to_mark(value: str, _: State) -> Order:
    if value == NO_MARK:
        raise Refusal("bad_order", f"{NO_MARK} is not a mark; give the name of one", "studio/mark")
    return {"do": "move", "mark": value}


def _roles(rig: Rig) -> Iterator[Property]:
    dimmed = (head.role for head in rig.heads if head.role != WORK_ROLE and not head.dimming.fixed)
    for role in dict.fromkeys(dimmed):
        yield _trim_of(role)
        yield _out_of(role)


def _trim_of(role: str) -> Property:
    return Property(
        "trims",
        role,
        f"Trim of {role}, in stops",
        "float",
        lambda state: _trim(state, role),
        format="-6:6",
        order=lambda value, _: {"do": "trim", "role": role, "to": value},
    )


def _out_of(role: str) -> Property:
    return Property(
        "out",
        role,
        f"{role} put out by hand",
        "boolean",
        lambda state: boolean_text(state["trims"].get(role) == "out"),
        order=lambda value, state: {"do": "trim", "role": role, "to": "out" if value else _in(state, role)},
    )


def _in(state: State, role: str) -> float:
    """Return the trim that puts a role back in: its present trim, or 0 if it is out."""
    trim = state["trims"].get(role, 0.0)
    return 0.0 if trim == "out" else float(trim)


def _trim(state: State, role: str) -> str | None:
    """Return a role's trim; None while it is out, which is no number of stops."""
    trim = state["trims"].get(role, 0.0)
    return None if trim == "out" else number_text(trim)


def _now() -> Iterator[Property]:
    yield _reading("ratio", "Ratio now", "achieved", "ratio")
    yield _reading("ratio-error", "Ratio off by, in stops", "achieved", "ratio_error_stops")
    yield _reading("exposure", "Exposure now", "achieved", "exposure_lux", unit="lx")
    yield _reading("exposure-error", "Exposure off by, in stops", "achieved", "exposure_error_stops")
    yield _reading("face-ratio", "Ratio on the face, as the camera sees it", "face", "ratio")
    for name in ("ratio", "exposure", "face"):
        label = f"Uncertainty of the {name}, k = 2, in stops"
        yield _reading(f"{name}-uncertainty", label, "uncertainty", f"{name}_stops")
    yield Property(
        "now", "reached", "Balance reached", "boolean", lambda state: boolean_text(state["ticks"]["balance"])
    )


def _reading(name: str, label: str, part: str, key: str, unit: str | None = None) -> Property:
    return Property("now", name, label, "float", lambda state: number_text(state[part][key]), unit=unit)


NODES = {
    "balance": "Wanted balance",
    "studio": "Studio",
    "trims": "Trims by role",
    "out": "Roles put out",
    "now": "The light now",
}


class HomieRig:
    """A rig as a device of the convention: its properties by path, its topics and its description."""

    def __init__(self, rig: Rig, domain: str = "homie") -> None:
        self._rig = rig.rig.name
        self.prefix = f"{domain}/5/fillside-{self._rig}/"
        found = (*_balance(), *_studio(rig), *_roles(rig), *_now())
        self.properties = {each.path: each for each in found}

    @property
    def state_topic(self) -> str:
        return f"{self.prefix}$state"

    @property
    def set_topics(self) -> str:
        return f"{self.prefix}+/+/set"

    def description(self, version: int) -> dict[str, Any]:
        """Return the device's `$description`; `version` must rise at every change."""
        nodes: dict[str, Any] = {}
        for each in self.properties.values():
            node = nodes.setdefault(each.node, {"name": NODES[each.node], "properties": {}})
            node["properties"][each.name] = each.description()
        return {"homie": VERSION, "version": version, "name": f"Fillside {self._rig}", "nodes": nodes}

    def order_from(self, topic: str, payload: bytes, state: State) -> tuple[Property, Order]:
        """Return the property that a message sets, and the order it gives. Raises Refusal."""
        path = topic.removeprefix(self.prefix).removesuffix("/set")
        found = self.properties.get(path)
        if found is None:
            raise Refusal("unknown_name", f"there is no property {path[:80]!r}", path[:80])
        if found.order is None:
            raise Refusal("bad_order", f"{path} is only shown; it cannot be set", path)
        return found, found.order(found.read(payload), state)


def alert_names(rig: Rig) -> tuple[str, ...]:
    """Return the ids of all possible alerts."""
    return (*(f"driver-{name}" for name in rig.drivers), "tracker", "reach", "storage")


def alerts(state: State) -> dict[str, str]:
    """Return the alerts of a state by id.

    They report drivers that do not answer, a tracker that is too rough, obstacles to the balance that nobody
    ordered, and a disk that cannot be written.
    """
    found = {
        f"driver-{name}": f"driver {name} is {driver['state']}"
        for name, driver in state["drivers"].items()
        if driver["state"] != "ok"
    }
    if state["subject_seen"]["too_rough"]:
        found["tracker"] = "the tracker is too rough: its jitter reaches the light"
    obstacles = [str(limit["says"]) for limit in state["limits"] if limit.get("at") not in CHOSEN]
    if obstacles:
        found["reach"] = "; ".join(obstacles)
    if not state["storage"]["kept"]:
        found["storage"] = state["storage"]["note"]
    return found
