"""All routes, in one list, and what answers at each."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import asdict, dataclass
from importlib.metadata import version
from typing import Any

from aiohttp import web

from fillside.access.authentication import Authenticator
from fillside.access.permissions import Need, Permission, check_may_look, check_may_operate, check_may_order
from fillside.doors.http.connections import Gate
from fillside.doors.http.etag import tagged
from fillside.doors.http.invitation import Entrance, invite
from fillside.doors.http.metrics import Metrics
from fillside.doors.http.openapi import document
from fillside.doors.http.plan_cache import PlanRoom
from fillside.doors.http.request_checks import Names, check_is_json, expect, from_here, guard, token_of
from fillside.doors.http.static_page import FIRST, page_files, serve
from fillside.doors.http.websocket import serve_live
from fillside.doors.listener import give
from fillside.hold.snapshot.places import places_of
from fillside.orders.answers import Refusal, done
from fillside.orders.registry import kind_of
from fillside.orders.strict_json import strict_loads
from fillside.runtime.live import as_text
from fillside.runtime.loop import Runner
from fillside.runtime.readiness import readiness
from fillside.storage.records import metering as kept
from fillside.storage.records.journal import MOST_AT_ONCE, Journal, Visitor, latest_entries
from fillside.storage.records.takes import latest_takes
from fillside.storage.store import Store

LONGEST_ORDER = 64 * 1024
NOBODY = Permission("nobody", "view")


@dataclass(frozen=True)
class AppContext:
    """What the routes need of the daemon."""

    runner: Runner
    store: Store
    names: Names
    doorkeeper: Authenticator
    metrics: Metrics
    entrance: Entrance
    gate: Gate
    require_token: bool = False


class Handlers:
    """The handlers."""

    def __init__(self, house: AppContext) -> None:
        self._house = house
        self._page = page_files()
        self._journal = Journal(house.store)
        self._plan = PlanRoom()
        self._document = as_text(document(ROUTES, version("fillside"))).encode("ascii")

    async def openapi(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        return tagged(request, self._document)

    async def state(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        return tagged(request, as_text(self._house.runner.state()).encode("ascii"))

    async def readings(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        most, before = page_of(request)
        found = await asyncio.to_thread(kept.readings, self._house.store, most, before)
        return _json({"readings": [asdict(each) for each in found]})

    async def calibrations(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        most, before = page_of(request)
        found = await asyncio.to_thread(kept.calibrations, self._house.store, most, before)
        return _json({"calibrations": [asdict(each) for each in found]})

    async def takes(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        most, before = page_of(request)
        found = await asyncio.to_thread(latest_takes, self._house.store, most, before)
        return _json({"takes": [asdict(each) for each in found]})

    async def places(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        light = self._house.runner.light
        return _json(places_of(light.scene, light.calibration).model_dump(mode="json"))

    async def plan(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        wander = request.query.get("wander", "0")
        if wander not in ("0", "1"):
            raise Refusal("bad_order", "wander is 1 for the maps too, or 0", "wander")
        light = self._house.runner.light
        found = await self._plan.answer(light.effective_rig, light.calibration, wander=wander == "1")
        return web.Response(text=found.model_dump_json(), content_type="application/json")

    async def do(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        check_is_json(request)
        source = strict_loads(await self._house.gate.body_of(request))
        check_may_order(holder, kind_of(source))
        note = await give(self._house.runner, source, Visitor(holder.who, "http", request.remote or ""))
        state = None if holder.may == "meter" else self._house.runner.state()
        return _json(done(note, state))

    async def journal(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        most, before = page_of(request)
        found = await asyncio.to_thread(latest_entries, self._house.store, most, before)
        return _json({"entries": found})

    async def invitation(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        check_is_json(request)
        said = strict_loads(await self._house.gate.body_of(request))
        answer = await invite(said, holder, self._house.doorkeeper, self._house.entrance)
        self._note(request, holder, {"do": "invite", **said})
        return _json(answer)

    async def key(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        text, found = await self._house.doorkeeper.change(token_of(request), request.remote or "")
        self._note(request, found, {"do": "key"})
        return _json({"token": text, "may": found.may})

    def _note(self, request: web.Request, holder: Permission, said: Any) -> None:
        """What changes who may come in is journalled like an order, without the token."""
        with self._house.runner.jobs.fence("journal"):
            self._journal.write(Visitor(holder.who, "http", request.remote or ""), said, "ok")

    async def metrics(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        text, content_type = self._house.metrics.text(request.headers.get("Accept", ""))
        return web.Response(body=text, headers={"Content-Type": content_type})

    async def live(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        house = self._house
        return await serve_live(
            request, house.runner.live, house.gate, lambda: house.doorkeeper.still_good(holder)
        )

    async def health(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        runner, store = self._house.runner, self._house.store
        now = readiness(runner, store)
        said = {
            "live": True,
            "ready": now.ready,
            "drivers": runner.wires.states(),
            "storage": store.trouble or "ok",
            "says": list(now.says),
        }
        return _json(said, status=200 if now.ready else 503)

    async def page(self, request: web.Request, holder: Permission) -> web.StreamResponse:
        return serve(request, self._page, request.match_info.get("path") or FIRST)


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
)


def page_of(request: web.Request) -> tuple[int, int | None]:
    """How many of a list are asked for, and below which number; Refusal for what is no number."""
    before = whole_number(request.query.get("before"), "before", None)
    most = whole_number(request.query.get("most"), "most", 100)
    return min(most or 1, MOST_AT_ONCE), before


def whole_number(text: str | None, name: str, absent: int | None) -> int | None:
    """A whole number from a query string; Refusal for anything else."""
    if text is None:
        return absent
    if not (text.isascii() and text.isdigit() and len(text) < 16 and int(text) > 0):
        raise Refusal("bad_order", f"{name} is a whole number from 1", name)
    return int(text)


def _json(body: Any, status: int = 200) -> web.Response:
    return web.Response(text=as_text(body), content_type="application/json", status=status)


def make_app(house: AppContext) -> web.Application:
    """The application with every route of `ROUTES` behind the guards."""
    guarded = guard(house.names, house.runner.jobs, house.gate)
    app = web.Application(middlewares=[guarded], client_max_size=LONGEST_ORDER)
    rooms = Handlers(house)
    for route in ROUTES:
        handler = _bound(route, rooms, house)
        app.router.add_route(route.method, route.path, handler, expect_handler=expect)
        if route.method == "GET" and route.answer is not Handlers.live:
            app.router.add_route("HEAD", route.path, handler, expect_handler=expect)
    return app


def _bound(
    route: Route, rooms: Handlers, house: AppContext
) -> Callable[[web.Request], Awaitable[web.StreamResponse]]:
    async def handle(request: web.Request) -> web.StreamResponse:
        if route.needs in ("nothing", "once"):
            return await route.answer(rooms, request, NOBODY)
        address = request.remote or ""
        here = from_here(request) and not house.require_token
        holder = await house.doorkeeper.admit(token_of(request), address, here)
        if route.needs == "look":
            check_may_look(holder)
        elif route.needs == "operate":
            check_may_operate(holder)
        return await route.answer(rooms, request, holder)

    return handle
