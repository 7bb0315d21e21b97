"""The OpenAPI 3.1 document, made from the routes, what they speak and the models of the orders.

Reference: OpenAPI Specification 3.1.1; its schemas are JSON Schema 2020-12.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import JsonSchemaMode, models_json_schema

from fillside.access.permissions import Need
from fillside.doors.http.payloads import HTML, SPOKEN, RefusedPayload, RoutePayloads
from fillside.orders.answers import Body
from fillside.orders.model import LightOrder, MeterOrder
from fillside.orders.registry import ORDERS

OPENAPI = "3.1.1"
_TEMPLATE = "#/components/schemas/{model}"
_PARAMETER = re.compile(r"{(\w+)(?::([^}]*))?}")

WHY: dict[int, str] = {
    304: "It is as it was when the visitor last asked.",
    400: "It is no order, or no question, that can be understood.",
    401: "A token is needed, or this one is not right.",
    403: "This token is not for that; or the Host is not ours, or a page of another origin asks.",
    404: "There is nothing of that name.",
    408: "The order did not come whole in time.",
    409: "Not now.",
    413: "That is too long an order.",
    415: "Orders are JSON, uncompressed.",
    422: "A number is beyond what can be.",
    426: "This is a WebSocket.",
    429: "Too many wrong tokens from this address, or too many visitors.",
    503: "Not ready; the answer says what is not well.",
}
STOPS_TEXT = r"^\s*[+-]?\s*\d+(\.\d+)?(\s*/\s*\d*[1-9]\d*)?\s*$"


def plain_path(path: str) -> str:
    """A route's path without the patterns of its parameters.

    >>> plain_path("/page/{path:[a-z]+}")
    '/page/{path}'
    """
    return _PARAMETER.sub(r"{\1}", path)


def document(routes: Iterable[Any], version: str) -> Body:
    """Return the document; `routes` as in `app.ROUTES`."""
    paths: dict[str, Body] = {}
    for route in routes:
        key = f"{route.method} {plain_path(route.path)}"
        entry = paths.setdefault(plain_path(route.path), {})
        entry[route.method.lower()] = _operation(route, SPOKEN[key])
    return {
        "openapi": OPENAPI,
        "info": {
            "title": "Fillside",
            "version": version,
            "description": "Holds the ratio of key to fill, and the exposure, on a face by dimming lamps.",
        },
        "paths": paths,
        "components": {
            "schemas": _schemas(),
            "securitySchemes": {
                "token": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "Made by `fillside token new`. The daemon's own machine needs none.",
                }
            },
        },
    }


def _operation(route: Any, spoken: RoutePayloads) -> Body:
    found: Body = {
        "summary": route.says,
        "operationId": _name(route.method, route.path),
        "security": _security(route.needs),
        "responses": _responses(route, spoken),
    }
    parameters = [*_in_path(route.path), *_in_query(spoken)]
    if parameters:
        found["parameters"] = parameters
    if spoken.takes is not None:
        schema = _any_order() if spoken.takes == "order" else _ref(spoken.takes)
        found["requestBody"] = {"required": True, "content": {"application/json": {"schema": schema}}}
    return found


def _name(method: str, path: str) -> str:
    words = re.findall(r"[a-z]+", plain_path(path).removeprefix("/api/v1").replace(".json", ""))
    return "-".join([method.lower(), *(words or ["page"])])


def _security(needs: Need) -> list[Body]:
    if needs == "nothing":
        return []
    return [{"token": []}] if needs == "once" else [{}, {"token": []}]


def _in_path(path: str) -> list[Body]:
    return [
        {
            "name": name,
            "in": "path",
            "required": True,
            "schema": {"type": "string", "pattern": f"^{pattern}$" if pattern else "^[^/]+$"},
        }
        for name, pattern in _PARAMETER.findall(path)
    ]


def _in_query(spoken: RoutePayloads) -> list[Body]:
    return [
        {
            "name": name,
            "in": "query",
            "required": False,
            "description": schema["description"],
            "schema": {key: value for key, value in schema.items() if key != "description"},
        }
        for name, schema in (spoken.query or {}).items()
    ]


def _responses(route: Any, spoken: RoutePayloads) -> Body:
    statuses = {403, *spoken.also}
    if route.needs != "nothing":
        statuses |= {401, 429}
    if spoken.query is not None:
        statuses.add(400)
    if spoken.takes is not None:
        statuses |= {400, 408, 413, 415}
    found = {"101": {"description": "The state, then its changes."}}
    if spoken.gives != "websocket":
        found = {"200": {"description": _says(spoken.gives), "content": _content(spoken.gives)}}
    for status in sorted(statuses):
        found[str(status)] = {"description": WHY[status]}
        if status >= 400:
            found[str(status)]["content"] = _content(spoken.gives if status == 503 else RefusedPayload)
    return found


def _says(gives: type[BaseModel] | str) -> str:
    if isinstance(gives, str):
        return "The page." if gives == HTML else "What was asked for."
    return " ".join((gives.__doc__ or "What was asked for.").split())


def _content(gives: type[BaseModel] | str) -> Any:
    if isinstance(gives, str):
        return {gives: {"schema": {"type": "object"}} if gives == "application/json" else {}}
    return {"application/json": {"schema": _ref(gives)}}


def _ref(model: type[BaseModel]) -> Body:
    return {"$ref": _TEMPLATE.format(model=model.__name__)}


def _any_order() -> Body:
    return {
        "oneOf": [_ref(kind.model) for kind in ORDERS.values()],
        "discriminator": {
            "propertyName": "do",
            "mapping": {word: _ref(kind.model)["$ref"] for word, kind in ORDERS.items()},
        },
    }


def _schemas() -> Body:
    """Every model, orders and bodies as they are taken, answers as they are given."""
    orders = [kind.model for kind in ORDERS.values()]
    taken = {*orders, *(s.takes for s in SPOKEN.values() if isinstance(s.takes, type))}
    given = {RefusedPayload, *(s.gives for s in SPOKEN.values() if isinstance(s.gives, type))}
    ways: list[tuple[set[Any], JsonSchemaMode]] = [(taken, "validation"), (given, "serialization")]
    found: Body = {}
    for models, mode in ways:
        ordered = sorted(models, key=lambda model: str(model.__name__))
        _, made = models_json_schema([(model, mode) for model in ordered], ref_template=_TEMPLATE)
        found |= made.get("$defs", {})
    for model in orders:
        _precise(model, found[model.__name__])
    return dict(sorted(found.items()))


def _precise(model: type[LightOrder] | type[MeterOrder], schema: Body) -> None:
    """Add what the order's own checks say beyond its types."""
    for value in schema["properties"].values():
        _stops_as_text(value)
    schema["required"] = sorted({"do", *schema.get("required", ())})
    if model.alternatives is not None:
        one, other = model.alternatives
        schema["oneOf"] = [_only_one(one, other), _only_one(other, one)]


def _only_one(given: str, absent: str) -> Body:
    return {
        "required": [given],
        "properties": {given: {"not": {"type": "null"}}, absent: {"type": "null"}},
    }


def _stops_as_text(schema: Any) -> None:
    """Stops may be written as text, "-1/3"; their bounds come under names that JSON Schema does not know."""
    for part in schema.get("anyOf", ()):
        _stops_as_text(part)
    if isinstance(schema.get("additionalProperties"), dict):
        _stops_as_text(schema["additionalProperties"])
    if "ge" in schema:
        number = {"type": schema.pop("type"), "minimum": schema.pop("ge"), "maximum": schema.pop("le")}
        schema["anyOf"] = [number, {"type": "string", "pattern": STOPS_TEXT}]
