"""The manual as HTML: a page is rendered on first request, on a thread beside the control loop."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from html import escape
from itertools import pairwise
from typing import TYPE_CHECKING

from aiohttp import web

from fillside.doors.http.responses import tag_of
from fillside.doors.http.static_page import PageFile, serve
from fillside.manual.pages import ManualPage, anchor_of, manual
from fillside.orders.answers import Refusal

if TYPE_CHECKING:
    from markdown_it.token import Token

LIST = ""
"""The key of the list of all pages, used instead of a page's name."""
MANY_HEADINGS = 3
_HERE = ' aria-current="page"'
_PAGE_LINK = re.compile(r"([\w-]+)\.md(#[\w-]*)?")
_WHOLE = """<!doctype html>
<html lang="en" data-theme="dark">
<head>
  <meta charset="utf-8">
  <meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover">
  <meta name="color-scheme" content="dark light">
  <meta name="referrer" content="no-referrer">
  <title>{title} · Fillside</title>
  <link rel="icon" href="/page/icon.svg" type="image/svg+xml">
  <link rel="stylesheet" href="/page/styles/base.css">
  <link rel="stylesheet" href="/page/styles/manual.css">
  <script src="/page/theme.js"></script>
</head>
<body class="manual">
  <a class="skip" href="#text">Skip to the text</a>
  <header class="manual-top"><a href="/">Fillside</a> <a href="/manual">Help</a></header>
  <main id="text">
{body}  </main>
{pages}</body>
</html>
"""


class ManualRoom:
    """Answers with pages of the manual, each rendered once."""

    def __init__(self) -> None:
        self._files: dict[str, PageFile] = {}

    async def answer(self, request: web.Request) -> web.Response:
        """Return the requested page, or the list. Raises Refusal if there is no such page."""
        name = request.match_info.get("name", LIST)
        if name != LIST and name not in manual():
            raise Refusal("unknown_name", "there is no such page; /manual lists them", request.path)
        if name not in self._files:
            body = (await asyncio.to_thread(html_of, name)).encode("utf-8")
            self._files[name] = PageFile(body, "text/html", tag_of(body))
        return serve(request, self._files, name)


def html_of(name: str) -> str:
    """Return a page by name, or the list of pages, as a complete HTML document."""
    page = None if name == LIST else manual()[name]
    return _WHOLE.format(
        title="Help" if page is None else escape(page.title),
        body=_list() if page is None else _text(page),
        pages="" if page is None else _pages(page),
    )


def _pages(here: ManualPage) -> str:
    rows = (
        f'<li><a href="/manual/{page.name}"{_HERE if page is here else ""}>{_inline(page.title)}</a></li>\n'
        for page in manual().values()
    )
    begins = '  <nav class="manual-pages" aria-label="Pages of the manual"><ul>\n'
    return f"{begins}{''.join(rows)}  </ul></nav>\n"


def _list() -> str:
    rows = (
        f'<li><a href="/manual/{page.name}">{_inline(page.title)}</a><p>{_inline(page.summary)}</p></li>\n'
        for page in manual().values()
    )
    return f'<h1>Help</h1>\n<ul class="manual-list">\n{"".join(rows)}</ul>\n'


def _inline(text: str) -> str:
    from markdown_it import MarkdownIt

    return str(MarkdownIt("commonmark", {"html": False}).renderInline(text))


def _text(page: ManualPage) -> str:
    """Return the page's text with ids on its headings, links that work here, and a table of contents."""
    from markdown_it import MarkdownIt

    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    reader.add_render_rule("table_open", lambda *_: '<table role="table">\n')
    tokens = reader.parse(page.text)
    headings = list(_named(tokens))
    _linked(tokens)
    _labelled(tokens)
    end_of_summary = next(i for i, token in enumerate(tokens) if token.type == "paragraph_close") + 1
    first, rest = (
        str(reader.renderer.render(part, reader.options, {}))
        for part in (tokens[:end_of_summary], tokens[end_of_summary:])
    )
    return first + _contents(headings) + rest.replace("<pre>", '<pre tabindex="0">')


def _contents(headings: list[tuple[str, str]]) -> str:
    if len(headings) < MANY_HEADINGS:
        return ""
    rows = "".join(f'<li><a href="#{name}">{_inline(words)}</a></li>\n' for name, words in headings)
    return f"<details><summary>On this page</summary><ul>\n{rows}</ul></details>\n"


def _named(tokens: list[Token]) -> Iterator[tuple[str, str]]:
    """Add an id to every heading; yield the id and the text of those of the second level."""
    for opening, inner in pairwise(tokens):
        if opening.type == "heading_open":
            name = anchor_of(inner.content)
            opening.attrSet("id", name)
            if opening.tag == "h2":
                yield name, inner.content


def _linked(tokens: list[Token]) -> None:
    for token in tokens:
        for part in token.children or ():
            found = _PAGE_LINK.fullmatch(str(part.attrGet("href"))) if part.type == "link_open" else None
            if found:
                part.attrSet("href", f"/manual/{found[1]}{found[2] or ''}")


_ROLES = {"tr_open": "row", "th_open": "columnheader", "td_open": "cell", "thead_open": "rowgroup"}


def _labelled(tokens: list[Token]) -> None:
    """Label each cell with its column: on a phone the cells of a row are stacked, and a table laid out that
    way keeps its roles only if they are explicit."""
    columns: list[str] = []
    cell = 0
    for opening, inner in pairwise(tokens):
        if opening.type in _ROLES:
            opening.attrSet("role", _ROLES[opening.type])
        if opening.type == "thead_open":
            columns = []
        elif opening.type == "th_open":
            columns.append(inner.content.replace("`", ""))
        elif opening.type == "tr_open":
            cell = 0
        elif opening.type == "td_open":
            opening.attrSet("data-label", columns[cell])
            cell += 1
