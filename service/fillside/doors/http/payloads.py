"""What goes in and out of each route, as models: the page that the OpenAPI document is made from.

Handlers answer with plain data; a test has every answer checked against what stands here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field

from fillside.hold.snapshot.places import StudioPlaces
from fillside.hold.snapshot.state import State
from fillside.orders.answers import STATUS_OF_CODE
from fillside.orders.registry import Right
from fillside.planning.plan import PlanReport
from fillside.storage.records.journal import MOST_AT_ONCE

HTML, METRICS, ANY_FILE = "text/html", "text/plain", "*/*"
CODES = (*STATUS_OF_CODE, "internal")
DriverWord = Literal["ok", "late", "lost"]


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class DriftPayload(_Body):
    """How much more light a head gives than it was calibrated with, in stops, with the standard uncertainty:
    null where only the correction is known since the start.

    `corrected_stops` is how much more it is asked for because of that; `at` the Unix time of the last reading
    that told.
    """

    head: str
    off_stops: float | None
    sigma_stops: float | None
    says: Literal["steady", "warming up", "changed", "not told"]
    corrected_stops: float
    at: float | None


class SideJobPayload(_Body):
    """A side job in trouble: since when (Unix time), how often it failed since, and why at last."""

    name: str
    since: float
    failures: int
    says: str


class StoragePayload(_Body):
    """Whether what is ordered is stored, and what it means where it is not."""

    kept: bool
    note: str


class StatePayload(State):
    """The whole state; `routine` is the guided routine that is under way, with its present step, `daylight`
    what the rig's sensor says of the room's own light, `drift` how far heads are off since they were
    calibrated, null where nothing was ever told. `jobs` are the side jobs in trouble."""

    routine: dict[str, Any] | None
    daylight: dict[str, Any] | None
    drift: list[DriftPayload] | None
    jobs: list[SideJobPayload]
    storage: StoragePayload


class DonePayload(_Body):
    """An order was obeyed. Who may only hand in readings is not told the state."""

    ok: Literal[True]
    note: str
    state: StatePayload | None


class Fault(_Body):
    """Why not: `code` for machines, `message` for people, `where` names the part that is at fault."""

    code: Annotated[str, Field(json_schema_extra={"enum": [*CODES]})]
    message: str
    where: str


class RefusedPayload(_Body):
    """Nothing was changed."""

    error: Fault


class Healthy(_Body):
    """Ready with status 200, not ready with 503. `storage` is ok, or what is in its way; `says` has a line
    for each part that is not well, also for those without which the light is held."""

    live: Literal[True]
    ready: bool
    drivers: dict[str, DriverWord]
    storage: str
    says: list[str]


class ReadingPayload(_Body):
    """A meter reading; `struck` says why it does not count any more, `at` is Unix time."""

    id: int
    at: float
    who: str
    purpose: str
    body: dict[str, Any]
    struck: str | None


class Readings(_Body):
    readings: list[ReadingPayload]


class CalibrationKept(_Body):
    """A calibration, with the meter table of then, its readings' numbers and whether it is the one in use."""

    id: int
    at: float
    meter: dict[str, Any]
    readings: list[int]
    body: dict[str, Any]
    used: bool


class Calibrations(_Body):
    calibrations: list[CalibrationKept]


class TakePayload(_Body):
    """A freeze from `began` to `ended` (Unix time), how long it lasted, and the light it began and ended
    with; null in its course. `lasted_s` is null too where a restart of the daemon came in between."""

    id: int
    began: float
    ended: float | None
    lasted_s: float | None
    first: dict[str, Any]
    last: dict[str, Any] | None


class TakesPayload(_Body):
    takes: list[TakePayload]


class JournalEntryPayload(_Body):
    """Who said what, at which door, from where and when (Unix time), and what came of it; of refusals that
    repeat within a minute the first, how many there were, and when the last was."""

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


class Entries(_Body):
    entries: list[JournalEntryPayload]


class Invite(_Body):
    """Asks for a token that is good once; `name` is whose it will be, `may` what it will be good for."""

    may: Annotated[Literal["operate", "view"], Field(description="what it is good for")] = "operate"
    name: Annotated[str, Field(max_length=64, description="whose it will be")] = "phone"


class Invitation(_Body):
    """A token that is good once until `until` (Unix time), and the addresses the daemon is reached at."""

    token: str
    until: float
    addresses: list[str]


class Key(_Body):
    """A token that lasts, and what it is good for. It is told here and never again."""

    token: str
    may: Annotated[str, Field(json_schema_extra={"enum": [*get_args(Right)]})]


_WHOLE = {"type": "integer", "minimum": 1, "maximum": 10**15 - 1}
PAGED = {
    "most": {**_WHOLE, "description": f"how many at most; beyond {MOST_AT_ONCE} it means {MOST_AT_ONCE}"},
    "before": {**_WHOLE, "description": "only those with a smaller id"},
}

WITH_MAPS = {
    "wander": {
        "type": "string",
        "enum": ["0", "1"],
        "description": "1 for the maps of what changes as the subject wanders; they take most of the time",
    }
}


@dataclass(frozen=True)
class RoutePayloads:
    """`gives` is a model or a media type; `takes` a model, or "order"; `also` further statuses, with why."""

    gives: type[BaseModel] | str
    takes: type[BaseModel] | Literal["order"] | None = None
    query: Mapping[str, Mapping[str, Any]] | None = None
    also: tuple[int, ...] = ()


SPOKEN: dict[str, RoutePayloads] = {
    "GET /api/v1/state": RoutePayloads(StatePayload, also=(304,)),
    "GET /api/v1/readings": RoutePayloads(Readings, query=PAGED),
    "GET /api/v1/calibrations": RoutePayloads(Calibrations, query=PAGED),
    "GET /api/v1/takes": RoutePayloads(TakesPayload, query=PAGED),
    "GET /api/v1/places": RoutePayloads(StudioPlaces),
    "GET /api/v1/plan": RoutePayloads(PlanReport, query=WITH_MAPS),
    "POST /api/v1/do": RoutePayloads(DonePayload, takes="order", also=(404, 409, 422)),
    "GET /api/v1/journal": RoutePayloads(Entries, query=PAGED),
    "POST /api/v1/invitation": RoutePayloads(Invitation, takes=Invite, also=(409,)),
    "POST /api/v1/key": RoutePayloads(Key),
    "GET /api/v1/live": RoutePayloads("websocket", also=(426,)),
    "GET /api/openapi.json": RoutePayloads("application/json", also=(304,)),
    "GET /metrics": RoutePayloads(METRICS),
    "GET /health": RoutePayloads(Healthy, also=(503,)),
    "GET /": RoutePayloads(HTML, also=(304, 404)),
    "GET /page/{path}": RoutePayloads(ANY_FILE, also=(304, 404)),
}
"""By method and path; a test compares it with the routes there are."""
