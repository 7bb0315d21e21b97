"""The files of the static page, read once at the start and served with an entity tag."""

from __future__ import annotations

import logging
import mimetypes
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable

from aiohttp import web

from fillside.doors.http.responses import is_cached, tag_of
from fillside.orders.answers import Refusal

log = logging.getLogger(__name__)

_TYPES = {".js": "text/javascript", ".mjs": "text/javascript", ".webmanifest": "application/manifest+json"}
FIRST = "index.html"


@dataclass(frozen=True)
class PageFile:
    body: bytes
    content_type: str
    tag: str


def page_files() -> dict[str, PageFile]:
    """Read the page's files, by path below its folder; none if the page is not installed."""
    found: dict[str, PageFile] = {}
    folder = files("fillside") / "page"
    if folder.is_dir():
        _collect(folder, "", found)
    else:
        log.warning("the page is not installed; orders and state are served without it")
    return found


def _collect(folder: Traversable, prefix: str, found: dict[str, PageFile]) -> None:
    for entry in folder.iterdir():
        if entry.is_dir():
            if not entry.name.startswith(("_", ".")):
                _collect(entry, f"{prefix}{entry.name}/", found)
        elif not entry.name.startswith(".") and not entry.name.endswith((".py", ".pyc")):
            body = entry.read_bytes()
            suffix = entry.name[entry.name.rfind(".") :]
            kind = _TYPES.get(suffix) or mimetypes.guess_type(entry.name)[0] or "application/octet-stream"
            found[f"{prefix}{entry.name}"] = PageFile(body, kind, tag_of(body))


def serve(request: web.Request, found: dict[str, PageFile], path: str) -> web.Response:
    """Answer with a file of the page, or with 304 when the visitor's copy is current."""
    file = found.get(path)
    if file is None:
        raise Refusal("unknown_name", "there is nothing here", request.path)
    headers = {"ETag": f'"{file.tag}"', "Cache-Control": "no-cache"}
    if is_cached(request, file.tag):
        return web.Response(status=304, headers=headers)
    charset = "utf-8" if file.content_type.startswith(("text/", "application/manifest")) else None
    return web.Response(body=file.body, content_type=file.content_type, charset=charset, headers=headers)
