"""Answers with a tag of their content: who has them already is not sent them again (RFC 9110, 13.1.2)."""

from __future__ import annotations

import hashlib

from aiohttp import web


def tag_of(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()[:20]


def has_already(request: web.Request, tag: str) -> bool:
    """Whether the visitor's If-None-Match names this tag, or any."""
    return any(known.value in (tag, "*") for known in request.if_none_match or ())


def tagged(request: web.Request, body: bytes) -> web.Response:
    """JSON that a visitor may keep but asks about before each use; 304 when it is as it was."""
    tag = tag_of(body)
    headers = {"ETag": f'"{tag}"', "Cache-Control": "private, no-cache"}
    if has_already(request, tag):
        return web.Response(status=304, headers=headers)
    return web.Response(body=body, content_type="application/json", charset="utf-8", headers=headers)
