"""The routes of the HTTP door, in one table, and their handlers."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import asdict, dataclass
from functools import cache
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from aiohttp import web

from fillside.access.authentication import Authenticator
from fillside.access.permissions import Need, Permission, check_may_look, check_may_operate, check_may_order
from fillside.belief.evidence import seconds_of
from fillside.belief.result.comparing import difference
from fillside.doors.http.connections import Gate
from fillside.doors.http.invitation import Entrance, invite
from fillside.doors.http.manual import ManualRoom
from fillside.doors.http.metrics import Metrics
from fillside.doors.http.request_checks import HostNames, check_is_json, expect, guard, is_local, token_of
from fillside.doors.http.responses import json_response, tagged
from fillside.doors.http.static_page import FIRST, page_files, serve
from fillside.doors.http.websocket import serve_live
from fillside.doors.listener import POSITION_REPORT, give
from fillside.hold.snapshot.places import places_of
from fillside.orders.answers import Refusal, done
from fillside.orders.registry import kind_of
from fillside.orders.strict_json import strict_loads
from fillside.rig.calibration import Calibration
from fillside.rig.problems import quoted
from fillside.rig.tables.model import Rig
from fillside.runtime.live import as_text
from fillside.runtime.loop import AGED_EVERY_S, Runner
from fillside.runtime.readiness import readiness
from fillside.storage.records import metering as kept
from fillside.storage.records.journal import MOST_AT_ONCE, Journal, Visitor, latest_entries
from fillside.storage.records.metering import StoredCalibration
from fillside.storage.records.takes import latest_takes
from fillside.storage.rows import LAST_UNIX_S
from fillside.storage.store import Store

if TYPE_CHECKING:
    from fillside.planning.plan import PlanReport

LONGEST_ORDER = 64 * 1024
ANONYMOUS = Permission("nobody", "view")


NONE = "none"
Wanted = int | float | None
"""A calibration's number, a Unix time [s] when it was in use, or None for the rig file alone."""


@dataclass(frozen=True)
class AppContext:
    """The parts of the daemon that the routes use."""

    runner: Runner
    store: Store
    names: HostNames
    authenticator: Authenticator
    metrics: Metrics
    entrance: Entrance
    gate: Gate
    require_token: bool = False


class PlanCache:
    """Computes the plan on a thread, one at a time, and caches it until the rig or
    the calibration changes, or until it is no longer as sure as it says."""

    def __init__(self) -> None:
        self._busy = asyncio.Lock()
        self._key: tuple[Rig, Calibration | None, float] | None = None
        self._plans: dict[bool, PlanReport] = {}

    async def plan(
        self, rig: Rig, calibration: Calibration | None, now_s: float, *, wander: bool
    ) -> PlanReport:
        """Return the plan of a rig at a Unix time [s]; `wander` adds the maps, which take longest."""
        async with self._busy:
            key = rig, calibration, now_s // AGED_EVERY_S * AGED_EVERY_S
            if self._key != key:
                self._key, self._plans = key, {}
            if wander not in self._plans:
                self._plans[wander] = await asyncio.to_thread(_planned, *key, wander)
            return self._plans[wander]


def _planned(rig: Rig, calibration: Calibration | None, now_s: float, wander: bool) -> PlanReport:
    # Planning and the estimator are imported by the first who asks for a plan: few ever do.
    from fillside.belief.result.intervals import Intervals
    from fillside.planning.plan import plan_rig

    intervals = Intervals(rig, calibration, now_s=now_s)
    return plan_rig(rig, calibration, wander=wander, add_uncertainty=intervals.of)


@cache
def _document() -> bytes:
    # The models of all payloads are imported and described for the first who asks what there is to ask for.
    from fillside.doors.http.openapi import document

    return as_text(document(ROUTES, version("fillside"))).encode("ascii")


class Handlers:
    """The handlers of all routes."""

    def __init__(self, context: AppContext) -> None:
        self._context = context
        self._page = page_files()
        self._journal = Journal(context.store)
        self._plans = PlanCache()
        self._manual = ManualRoom()

    async def openapi(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        return tagged(request, await asyncio.to_thread(_document))

    async def state(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        return tagged(request, as_text(self._context.runner.state()).encode("ascii"))

    async def readings(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        most, before = page_of(request)
        found = await asyncio.to_thread(kept.readings, self._context.store, most, before)
        return json_response({"readings": [asdict(each) for each in found]})

    async def calibrations(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        if (at := request.query.get("at")) is not None:
            then = await asyncio.to_thread(kept.calibration_at, self._context.store, time_in(at, "at"))
            return json_response({"calibrations": [] if then is None else [asdict(then)]})
        most, before = page_of(request)
        found = await asyncio.to_thread(kept.calibrations, self._context.store, most, before)
        return json_response({"calibrations": [asdict(each) for each in found]})

    async def comparison(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        names = ("one", "other")
        asked = [wanted_calibration(request.query.get(name), name) for name in names]
        rig = self._context.runner.light.effective_rig
        found = await asyncio.to_thread(compared, self._context.store, rig, *asked)
        return json_response(found)

    async def takes(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        most, before = page_of(request)
        found = await asyncio.to_thread(latest_takes, self._context.store, most, before)
        return json_response({"takes": [asdict(each) for each in found]})

    async def places(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        light = self._context.runner.light
        return json_response(places_of(light.scene).model_dump(mode="json"))

    async def plan(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        wander = request.query.get("wander", "0")
        if wander not in ("0", "1"):
            raise Refusal("bad_order", "wander is 1 for the maps too, or 0", "wander")
        light = self._context.runner.light
        found = await self._plans.plan(
            light.effective_rig, light.calibration, self._context.store.unix_clock(), wander=wander == "1"
        )
        return web.Response(text=found.model_dump_json(), content_type="application/json")

    async def do(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        check_is_json(request)
        source = strict_loads(await self._context.gate.read_body(request))
        check_may_order(holder, kind_of(source))
        note = await give(self._context.runner, source, Visitor(holder.who, "http", request.remote or ""))
        shown = holder.may != "meter" and source["do"] != POSITION_REPORT
        return json_response(done(note, self._context.runner.state() if shown else None))

    async def journal(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        most, before = page_of(request)
        found = await asyncio.to_thread(latest_entries, self._context.store, most, before)
        return json_response({"entries": found})

    async def invitation(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        check_is_json(request)
        body = strict_loads(await self._context.gate.read_body(request))
        answer = await invite(body, holder, self._context.authenticator, self._context.entrance)
        self._note(request, holder, {"do": "invite", **body})
        return json_response(answer.model_dump())

    async def key(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        text, found = await self._context.authenticator.change(token_of(request), request.remote or "")
        self._note(request, found, {"do": "key"})
        return json_response({"token": text, "may": found.may})

    def _note(self, request: web.Request, holder: Permission, body: Any) -> None:
        """Journal a change of access like an order, without the token."""
        with self._context.runner.jobs.fence("journal"):
            self._journal.write(Visitor(holder.who, "http", request.remote or ""), body, "ok")

    async def metrics(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        text, content_type = self._context.metrics.text(request.headers.get("Accept", ""))
        return web.Response(body=text, headers={"Content-Type": content_type})

    async def live(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        context = self._context
        return await serve_live(
            request, context.runner.live, context.gate, lambda: context.authenticator.still_good(holder)
        )

    async def health(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        runner, store = self._context.runner, self._context.store
        now = readiness(runner, store)
        body = {
            "live": True,
            "ready": now.ready,
            "drivers": runner.wires.states(),
            "storage": store.trouble or "ok",
            "says": list(now.says),
        }
        return json_response(body, status=200 if now.ready else 503)

    async def page(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        return serve(request, self._page, request.match_info.get("path") or FIRST)

    async def manual(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        return await self._manual.answer(request)


@dataclass(frozen=True)
class Route:
    method: str
    path: str
    answer: Callable[[Handlers, web.Request, Permission], Awaitable[web.StreamResponse]]
    needs: Need
    says: str


ROUTES = (
    Route("GET", "/api/v1/state", Handlers.state, "look", "the whole state"),
    Route("GET", "/api/v1/readings", Handlers.readings, "look", "meter readings, the newest first"),
    Route("GET", "/api/v1/calibrations", Handlers.calibrations, "look", "calibrations, the newest first"),
    Route(
        "GET", "/api/v1/comparison", Handlers.comparison, "look", "two calibrations held against each other"
    ),
    Route("GET", "/api/v1/takes", Handlers.takes, "look", "freezes with their light, the newest first"),
    Route("GET", "/api/v1/places", Handlers.places, "look", "marks, camera, and where the heads stand"),
    Route(
        "GET",
        "/api/v1/plan",
        Handlers.plan,
        "look",
        "what each mark allows, how its light looks, what to mind",
    ),
    Route("POST", "/api/v1/do", Handlers.do, "order", "one order"),
    Route("GET", "/api/v1/journal", Handlers.journal, "operate", "who ordered what, the newest first"),
    Route(
        "POST", "/api/v1/invitation", Handlers.invitation, "operate", "a token for once, for another device"
    ),
    Route("POST", "/api/v1/key", Handlers.key, "once", "a token that lasts, for one that is good once"),
    Route("GET", "/api/v1/live", Handlers.live, "look", "WebSocket: the state, then its changes"),
    Route(
        "GET", "/api/openapi.json", Handlers.openapi, "nothing", "this interface as an OpenAPI 3.1 document"
    ),
    Route("GET", "/metrics", Handlers.metrics, "look", "figures in Prometheus' form"),
    Route("GET", "/health", Handlers.health, "nothing", "whether the daemon is live and ready"),
    Route("GET", "/", Handlers.page, "nothing", "the page"),
    Route("GET", "/page/{path:[a-zA-Z0-9][a-zA-Z0-9_./-]*}", Handlers.page, "nothing", "the page's files"),
    Route("GET", "/manual", Handlers.manual, "nothing", "the manual: which pages there are"),
    Route("GET", "/manual/{name:[a-z][a-z0-9.-]*}", Handlers.manual, "nothing", "a page of the manual"),
)


def page_of(request: web.Request) -> tuple[int, int | None]:
    """Return the number of entries requested, and the id that they must lie below, if any.

    Raises Refusal for anything but whole numbers.
    """
    before = whole_number(request.query.get("before"), "before", None)
    most = whole_number(request.query.get("most"), "most", 100)
    return min(most or 1, MOST_AT_ONCE), before


def whole_number(text: str | None, name: str, absent: int | None) -> int | None:
    """Parse a whole number of a query string. Raises Refusal for anything else."""
    if text is None:
        return absent
    if not (text.isascii() and text.isdigit() and len(text) < 16 and int(text) > 0):
        raise Refusal("bad_order", f"{name} is a whole number from 1", name)
    return int(text)


def time_in(text: str, name: str) -> float:
    """Parse a time of a query string [Unix time]. Raises Refusal for anything else."""
    at = seconds_of(text)
    if at is None or not 0 <= at <= LAST_UNIX_S:
        raise Refusal(
            "bad_order", f"{name} is a date and time such as 2026-02-11T09:30, not {quoted(text)}", name
        )
    return at


def wanted_calibration(text: str | None, name: str) -> Wanted:
    """Parse which calibration is meant. Raises Refusal for anything else."""
    if text is None:
        raise Refusal("bad_order", f"give {name}: a calibration's number, a time, or {NONE}", name)
    if text == NONE:
        return None
    if text.isascii() and text.isdigit() and len(text) < 16:
        return int(text)
    return time_in(text, name)


def compared(store: Store, rig: Rig, one: Wanted, other: Wanted) -> dict[str, Any]:
    """Compare two calibrations. Raises Refusal where there is no such one."""
    pair = [_calibration(store, wanted) for wanted in (one, other)]
    first, second = (None if own is None else own.calibration for own in pair)
    found = difference(rig, first, second)
    named = [None if own is None else {"id": own.id, "at": own.at} for own in pair]
    return {"one": named[0], "other": named[1], **asdict(found)}


def _calibration(store: Store, wanted: Wanted) -> StoredCalibration | None:
    if wanted is None:
        return None
    by_number = isinstance(wanted, int)
    found = kept.calibration(store, int(wanted)) if by_number else kept.calibration_at(store, wanted)
    if found is None:
        missing = "no calibration that is still kept was in use then"
        raise Refusal("unknown_name", f"there is no calibration {wanted}" if by_number else missing)
    return found


def make_app(context: AppContext) -> web.Application:
    """Build the application, with every route of `ROUTES` behind the guard."""
    guarded = guard(context.names, context.runner.jobs, context.gate)
    app = web.Application(middlewares=[guarded], client_max_size=LONGEST_ORDER)
    handlers = Handlers(context)
    for route in ROUTES:
        handler = _bound(route, handlers, context)
        app.router.add_route(route.method, route.path, handler, expect_handler=expect)
        if route.method == "GET" and route.answer is not Handlers.live:
            app.router.add_route("HEAD", route.path, handler, expect_handler=expect)
    return app


def _bound(
    route: Route, handlers: Handlers, context: AppContext
) -> Callable[[web.Request], Awaitable[web.StreamResponse]]:
    async def handle(request: web.Request) -> web.StreamResponse:
        if route.needs in ("nothing", "once"):
            return await route.answer(handlers, request, ANONYMOUS)
        address = request.remote or ""
        local = is_local(request) and not context.require_token
        holder = await context.authenticator.admit(token_of(request), address, local)
        if route.needs == "look":
            check_may_look(holder)
        elif route.needs == "operate":
            check_may_operate(holder)
        return await route.answer(handlers, request, holder)

    return handle
