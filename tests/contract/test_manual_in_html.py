"""Contract: the manual as HTML has every word, links that lead somewhere, and nothing its policy forbids."""

from __future__ import annotations

import re
from functools import cache
from html.parser import HTMLParser

import pytest

from fillside.doors.http.manual import LIST, html_of
from fillside.doors.http.static_page import page_files
from fillside.manual.pages import NAMES, manual
from manual_text import PAGES

ALL = (LIST, *NAMES)
VOID = {"meta", "link"}


class Reader(HTMLParser):
    """Which elements there are, what they link to, and what a person reads; elements end as they begin."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.links: list[str] = []
        self.ids: list[str] = []
        self.names: set[str] = set()
        self.attributes: set[str] = set()
        self.labels: list[str | None] = []
        self.text = ""
        self.feed(html)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.add(tag)
        self.attributes |= {name for name, _ in attrs}
        found = dict(attrs)
        self.links += [link for link in (found.get("href"), found.get("src")) if link]
        self.ids += [name for name in (found.get("id"),) if name]
        self.labels += [found.get("data-label")] if tag == "td" else []
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


@cache
def read(name: str) -> Reader:
    return Reader(html_of(name))


@pytest.mark.parametrize("name", NAMES)
def test_a_page_has_every_word_and_no_mark_of_its_source(name: str) -> None:
    source = re.sub(r"\]\([^)\s]*\)|<!--.*?-->|```\w*|^\d+\. ", "", PAGES[name], flags=re.MULTILINE)
    assert not set(re.findall(r"\w+", source)) - set(re.findall(r"\w+", read(name).text))
    assert not re.search(r"<!--|\]\(|\*\*|```|\| ---", read(name).text)
    assert read(name).names.isdisjoint({"style", "iframe", "form"})


@pytest.mark.parametrize("name", ALL)
def test_links_lead_to_what_is_served(name: str) -> None:
    files = page_files()
    for link in read(name).links:
        path, _, heading = link.partition("#")
        page = path.removeprefix("/manual").removeprefix("/") if path.startswith("/manual") else None
        if not path:
            assert heading in read(name).ids, link
        elif page is not None:
            assert page in ALL, link
            assert not heading or heading in read(page).ids, link
        else:
            assert path == "/" or path.removeprefix("/page/") in files, link


@pytest.mark.parametrize("name", ALL)
def test_nothing_that_the_policy_forbids(name: str) -> None:
    attributes = read(name).attributes
    assert "style" not in attributes
    assert not [each for each in attributes if each.startswith("on")]
    assert len(read(name).ids) == len(set(read(name).ids))
    assert html_of(name).count("<script") == 1


def test_the_list_leads_to_every_page_and_each_page_to_all() -> None:
    for name in ALL:
        assert {f"/manual/{page}" for page in NAMES} <= set(read(name).links), name
    assert all(page.summary.split()[-1].rstrip(".`") in read(LIST).text for page in manual().values())


def test_a_cell_says_its_column() -> None:
    labels = read("rig-file").labels
    assert None not in labels
    assert set(labels) == {"table", "key", "left out", "takes", "says"}


def test_markup_in_a_page_is_text(monkeypatch: pytest.MonkeyPatch) -> None:
    from fillside.doors.http import manual as room
    from fillside.manual.pages import ManualPage

    hostile = "# <b>T</b>\n\nS <script>x</script>.\n\n[a](javascript:x) <img onerror=x>\n\n"
    hostile += "| <i> |\n| --- |\n| c |\n"
    monkeypatch.setattr(room, "manual", lambda: {"wires": ManualPage("wires", hostile)})
    shown = Reader(html_of("wires"))
    assert shown.names.isdisjoint({"b", "i", "img"})
    assert html_of("wires").count("<script") == 1
    assert not [link for link in shown.links if "javascript" in link]
