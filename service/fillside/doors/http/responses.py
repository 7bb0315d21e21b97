"""Responses: JSON, refusals and failures in one shape, and entity tags that save sending an answer twice.

Reference: RFC 9110, 13.1.2, for `If-None-Match`.
"""

from __future__ import annotations

import hashlib
from typing import Any

from aiohttp import web
from pydantic import BaseModel, ConfigDict

from fillside.orders.answers import INTERNAL, Refusal, RefusalCode
from fillside.runtime.live import as_text

DEFAULT_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; "
        "connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cache-Control": "no-store",
}
"""Set on every response that does not set them itself."""
STATUS_OF_CODE: dict[RefusalCode, int] = {
    "bad_order": 400,
    "unauthorised": 401,
    "forbidden": 403,
    "unknown_name": 404,
    "not_now": 409,
    "out_of_range": 422,
    "too_many": 429,
}
"""The HTTP status of a refusal, by its code."""


class JsonBody(BaseModel):
    """Base of the models of requests and answers; unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


def json_response(body: Any, status: int = 200) -> web.Response:
    return web.Response(text=as_text(body), content_type="application/json", status=status)


def tag_of(body: bytes) -> str:
    """Return the entity tag of a body: the start of its SHA-256."""
    return hashlib.sha256(body).hexdigest()[:20]


def is_cached(request: web.Request, tag: str) -> bool:
    """Return true if the request's If-None-Match names this tag, or any."""
    return any(each.value in (tag, "*") for each in request.if_none_match or ())


def tagged(request: web.Request, body: bytes) -> web.Response:
    """Answer with JSON that a visitor may cache but must revalidate; 304 when its copy is current."""
    tag = tag_of(body)
    headers = {"ETag": f'"{tag}"', "Cache-Control": "private, no-cache"}
    if is_cached(request, tag):
        return web.Response(status=304, headers=headers)
    return web.Response(body=body, content_type="application/json", charset="utf-8", headers=headers)


def refusal_response(refusal: Refusal) -> web.Response:
    return web.json_response(refusal.body(), status=refusal.status or STATUS_OF_CODE[refusal.code])


def unguarded_refusal(refusal: Refusal) -> web.Response:
    """Answer a request that does not reach the guards, with the headers they would add."""
    answer = refusal_response(refusal)
    answer.headers.update(DEFAULT_HEADERS)
    return answer


def internal_error() -> web.Response:
    return web.json_response(INTERNAL, status=500)


def http_error(request: web.Request, error: web.HTTPException) -> web.StreamResponse:
    """Give a refusal of aiohttp (no such route, wrong method, body too large) the shape of every other."""
    if error.status < 400:
        return error
    if request.method == "OPTIONS" and "Allow" in error.headers:
        # Without Access-Control headers no page of another origin may send requests here.
        return web.Response(status=204, headers={"Allow": error.headers["Allow"]})
    codes: dict[int, tuple[RefusalCode, str]] = {
        404: ("unknown_name", "there is nothing here"),
        413: ("bad_order", "that is too long an order"),
    }
    code, message = codes.get(error.status, ("bad_order", error.reason.lower()))
    refusal = Refusal(code, message, request.path[:80] if error.status == 404 else "", status=error.status)
    response = refusal_response(refusal)
    if "Allow" in error.headers:
        response.headers["Allow"] = error.headers["Allow"]
    return response
