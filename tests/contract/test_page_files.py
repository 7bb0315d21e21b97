"""Contract: all files of the page are loaded from the first or the manual, and none is a mere fragment."""

from __future__ import annotations

import posixpath
import re
from collections import Counter

from fillside.doors.http.manual import LIST, html_of
from fillside.doors.http.static_page import FIRST, page_files

FILES = page_files()
FRAGMENT_LINES = 40
LOADS = {
    ".html": re.compile(r'(?:src|href)="/page/([^"]+)"'),
    ".js": re.compile(r'^import [^;]*?from "([^"]+)";', re.MULTILINE),
    ".css": re.compile(r'url\("?([^")]+)"?\)'),
}


def loaded_by(name: str) -> set[str]:
    """The files that one file names, by their paths below the page's folder."""
    pattern = LOADS.get(posixpath.splitext(name)[1])
    found = set() if pattern is None else set(pattern.findall(FILES[name].body.decode()))
    folder = "" if name == FIRST else posixpath.dirname(name)
    return {posixpath.normpath(posixpath.join(folder, each)) for each in found}


def test_every_file_is_loaded_and_every_loaded_file_is_there() -> None:
    reached: set[str] = set()
    waiting = {FIRST, *LOADS[".html"].findall(html_of(LIST))}
    while waiting:
        name = waiting.pop()
        assert name in FILES, f"{name} is loaded and not there"
        reached.add(name)
        waiting |= loaded_by(name) - reached
    assert reached == set(FILES)


def test_no_module_is_a_fragment_of_its_only_user() -> None:
    users = Counter(each for name in FILES if name.endswith(".js") for each in loaded_by(name))
    lines = {name: file.body.count(b"\n") for name, file in FILES.items()}
    assert [name for name, count in users.items() if count == 1 and lines[name] < FRAGMENT_LINES] == []
