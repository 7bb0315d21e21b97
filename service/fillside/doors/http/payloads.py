"""The requests and answers of each route, as the models from which the OpenAPI document is built.

Handlers answer with plain data; a test checks every answer against these models.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, Field

from fillside.doors.http.invitation import InvitationPayload, InvitationRequest
from fillside.doors.http.responses import JsonBody
from fillside.hold.snapshot.places import StudioPlaces
from fillside.hold.snapshot.state import State
from fillside.orders import answers
from fillside.orders.registry import Right
from fillside.planning.plan import PlanReport
from fillside.storage.records.journal import MOST_AT_ONCE

HTML, METRICS, ANY_FILE = "text/html", "text/plain", "*/*"
CODES = (*answers.CODES, "internal")
DriverWord = Literal["ok", "late", "lost"]


class DriftPayload(JsonBody):
    """The drift of a head's light since its calibration, in stops, with its standard uncertainty; both are
    null if only the correction from before a restart is known.

    `corrected_stops` is the correction of its output for the drift; `at` is the Unix time of the last reading
    that affects it.
    """

    head: str
    off_stops: float | None
    sigma_stops: float | None
    says: Literal["steady", "warming up", "changed", "not told"]
    corrected_stops: float
    at: float | None


class SideJobPayload(JsonBody):
    """A failing side job: the Unix time of its first failure, the number of failures,
    and the latest reason."""

    name: str
    since: float
    failures: int
    says: str


class StoragePayload(JsonBody):
    """The state of storage: `kept` is true if orders are stored, otherwise a note explains."""

    kept: bool
    note: str


class StatePayload(State):
    """The whole state. `routine` is the guided routine in progress, with its present step; `daylight` is the
    ambient light measured by the rig's sensor; `drift` is the drift of the heads since their calibration.
    Each is null if there is none. `jobs` are the failing side jobs."""

    routine: dict[str, Any] | None
    daylight: dict[str, Any] | None
    drift: list[DriftPayload] | None
    jobs: list[SideJobPayload]
    storage: StoragePayload


class DonePayload(JsonBody):
    """The order was carried out. The state is null for a tracker's report of the subject, and for a token
    that may only hand in readings."""

    ok: Literal[True]
    note: str
    state: StatePayload | None


class FaultPayload(JsonBody):
    """The reason: `code` for programs, `message` for people; `where` names the part at fault."""

    code: Annotated[str, Field(json_schema_extra={"enum": [*CODES]})]
    message: str
    where: str


class RefusedPayload(JsonBody):
    """The request was refused; nothing has changed."""

    error: FaultPayload


class HealthPayload(JsonBody):
    """Ready with status 200, not ready with 503. `storage` is ok, or describes its trouble; `says` has a line
    for each part in trouble, including parts that the light does not depend on."""

    live: Literal[True]
    ready: bool
    drivers: dict[str, DriverWord]
    storage: str
    says: list[str]


class ReadingPayload(JsonBody):
    """A meter reading; `at` is Unix time; `struck` is the reason why it no longer counts."""

    id: int
    at: float
    who: str
    purpose: str
    body: dict[str, Any]
    struck: str | None


class ReadingsPayload(JsonBody):
    readings: list[ReadingPayload]


class CalibrationPayload(JsonBody):
    """A calibration, with its meter and the numbers of its readings; `used` is true while it is in use."""

    id: int
    at: float
    meter: dict[str, Any]
    readings: list[int]
    body: dict[str, Any]
    used: bool


class CalibrationsPayload(JsonBody):
    calibrations: list[CalibrationPayload]


class ComparedPayload(JsonBody):
    """A calibration that is compared: its number and when it was made (Unix time)."""

    id: int
    at: float


class HeadDifferencePayload(JsonBody):
    """The light of one head at full by the second calibration over the first, at each mark in stops, and its
    standard uncertainty as if the two shared no reading; null where one does not say how sure it is."""

    at_marks: dict[str, float]
    sigma_stops: float | None


class ComparisonPayload(JsonBody):
    """Two calibrations, null for the rig file alone, in the rig as it is now. `ambient` has the light with
    all heads out toward key, fill and camera by each of them, in lux."""

    one: ComparedPayload | None
    other: ComparedPayload | None
    heads: dict[str, HeadDifferencePayload]
    ambient: tuple[tuple[float, float, float], tuple[float, float, float]]


class TakePayload(JsonBody):
    """A freeze from `began` to `ended` (Unix time), with its duration and its first and last light.

    `ended`, `lasted_s` and `last` are null until it ends; `lasted_s` is also null after a restart in between.
    """

    id: int
    began: float
    ended: float | None
    lasted_s: float | None
    first: dict[str, Any]
    last: dict[str, Any] | None


class TakesPayload(JsonBody):
    takes: list[TakePayload]


class JournalEntryPayload(JsonBody):
    """An order with its sender, door, address, time (Unix time) and outcome. Refusals that repeat within a
    minute share an entry, with their number and the time of the last."""

    id: int
    at: float
    who: str
    door: str
    address: str
    said: Any
    outcome: str
    note: str
    times: int
    last_at: float | None


class JournalPayload(JsonBody):
    entries: list[JournalEntryPayload]


class KeyPayload(JsonBody):
    """A lasting token, and its permission. It is shown only this once."""

    token: str
    may: Annotated[str, Field(json_schema_extra={"enum": [*get_args(Right)]})]


_WHOLE = {"type": "integer", "minimum": 1, "maximum": 10**15 - 1}
PAGED = {
    "most": {
        **_WHOLE,
        "description": f"the most entries; above {MOST_AT_ONCE} it means {MOST_AT_ONCE}",
    },
    "before": {**_WHOLE, "description": "only entries with a smaller id"},
}

_TIME = "a date and time in ISO 8601, in UTC where no zone is said"
AT = {
    "at": {
        "type": "string",
        "description": f"{_TIME}: only the calibration that was in use then, if one was",
    }
}
COMPARED = {
    name: {
        "type": "string",
        "description": f"a calibration's number, {_TIME} when it was in use, or none for the rig file alone",
    }
    for name in ("one", "other")
}

WITH_MAPS = {
    "wander": {
        "type": "string",
        "enum": ["0", "1"],
        "description": "1 adds maps of the light around each mark, which take most of the time",
    }
}


@dataclass(frozen=True)
class RoutePayloads:
    """The payloads of a route: `gives` is a model or a media type, `takes` a model or
    "order"; `also` lists further statuses."""

    gives: type[BaseModel] | str
    takes: type[BaseModel] | Literal["order"] | None = None
    query: Mapping[str, Mapping[str, Any]] | None = None
    also: tuple[int, ...] = ()


ROUTE_PAYLOADS: dict[str, RoutePayloads] = {
    "GET /api/v1/state": RoutePayloads(StatePayload, also=(304,)),
    "GET /api/v1/readings": RoutePayloads(ReadingsPayload, query=PAGED),
    "GET /api/v1/calibrations": RoutePayloads(CalibrationsPayload, query={**PAGED, **AT}),
    "GET /api/v1/comparison": RoutePayloads(ComparisonPayload, query=COMPARED, also=(404,)),
    "GET /api/v1/takes": RoutePayloads(TakesPayload, query=PAGED),
    "GET /api/v1/places": RoutePayloads(StudioPlaces),
    "GET /api/v1/plan": RoutePayloads(PlanReport, query=WITH_MAPS),
    "POST /api/v1/do": RoutePayloads(DonePayload, takes="order", also=(404, 409, 422)),
    "GET /api/v1/journal": RoutePayloads(JournalPayload, query=PAGED),
    "POST /api/v1/invitation": RoutePayloads(InvitationPayload, takes=InvitationRequest, also=(409,)),
    "POST /api/v1/key": RoutePayloads(KeyPayload),
    "GET /api/v1/live": RoutePayloads("websocket", also=(426,)),
    "GET /api/openapi.json": RoutePayloads("application/json", also=(304,)),
    "GET /metrics": RoutePayloads(METRICS),
    "GET /health": RoutePayloads(HealthPayload, also=(503,)),
    "GET /": RoutePayloads(HTML, also=(304, 404)),
    "GET /page/{path}": RoutePayloads(ANY_FILE, also=(304, 404)),
    "GET /manual": RoutePayloads(HTML, also=(304,)),
    "GET /manual/{name}": RoutePayloads(HTML, also=(304, 404)),
}
"""By method and path; a test compares it with the actual routes."""
