"""Contract: the README is short, every page is found from it, every link leads somewhere, and the page of the
rig file has every key there is."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from fillside.rig.file.schema import rig_schema
from fillside_drivers.registry import kinds
from manual_text import FOLDER, PAGES, README, ROOT, TEXTS, table

DEVELOPERS = ROOT / "DEVELOPERS.md"
FILES = [ROOT / "README.md", DEVELOPERS, *(FOLDER / f"{name}.md" for name in PAGES)]
LINK = re.compile(r"\]\(([^)\s]+)\)")
OWN_TABLES = ("rig-file", "wires")
Schema = Mapping[str, Any]


def without_code(text: str) -> str:
    return re.sub(r"(?ms)^ *```.*?^ *```", "", text)


def anchors(path: Path) -> set[str]:
    """What a heading is called in a link: small letters, without punctuation, hyphens for blanks."""
    headings = re.findall(r"(?m)^#+ (.*)$", without_code(path.read_text("utf-8")))
    return {re.sub(r"[^\w\- ]", "", heading).lower().replace(" ", "-") for heading in headings}


def links() -> Iterator[tuple[Path, str]]:
    for path in FILES:
        for link in LINK.findall(without_code(path.read_text("utf-8"))):
            yield path, link


def test_the_readme_is_short() -> None:
    assert len(README.splitlines()) < 200


def test_every_link_leads_to_a_file_and_a_heading() -> None:
    for path, link in links():
        where, _, heading = link.partition("#")
        file = (path.parent / where).resolve() if where else path
        assert file.is_file(), (path.name, link)
        assert not heading or heading in anchors(file), (path.name, link)


def test_a_page_links_to_pages_alone() -> None:
    """Where it is installed there is nothing else beside it."""
    for path, link in links():
        if path.parent == FOLDER:
            assert link.partition("#")[0].removesuffix(".md") in ("", *PAGES), link


def test_every_page_is_in_the_readmes_table() -> None:
    rows = table(README, "manual")
    folder = FOLDER.relative_to(ROOT) if FOLDER.is_relative_to(ROOT) else Path("service/fillside/manual")
    linked = [LINK.findall(read) for _, read in rows]
    assert sorted(linked) == [[f"{folder}/{name}.md"] for name in PAGES]
    for (_, read), (link,) in zip(rows, linked, strict=True):
        title = PAGES[Path(link).stem].partition("\n")[0].removeprefix("# ")
        assert read.startswith(f"[{title}]")


@pytest.mark.parametrize("text", list(PAGES.values()), ids=list(PAGES))
def test_a_page_begins_with_its_title_and_what_is_in_it(text: str) -> None:
    title, blank, summary, after, *_ = text.splitlines()
    assert re.fullmatch(r"# \S.*", title)
    assert (blank, after) == ("", "")
    assert re.fullmatch(r"[A-Z].{10,115}[.]", summary)


@cache
def whole() -> Schema:
    return rig_schema(kinds())


def objects(schema: Schema) -> Iterator[Schema]:
    """The tables that a value may be, at whatever depth of lists, choices and tables by name."""
    if "$ref" in schema:
        schema = whole()["$defs"][schema["$ref"].rpartition("/")[2]]
    if "properties" in schema:
        yield schema
        return
    items = [schema["items"]] if isinstance(schema.get("items"), dict) else []
    for part in (*items, *schema.get("anyOf", ()), *schema.get("patternProperties", {}).values()):
        yield from objects(part)


def tables(schema: Schema, path: str = "") -> Iterator[tuple[str, Schema]]:
    """Every table of the rig file by its path; what is a wire's own is held to the drivers elsewhere."""
    for key, value in schema["properties"].items():
        if key in ("drivers", "drive"):
            continue
        for found in objects(value):
            inner = f"{path}.{key}".removeprefix(".")
            yield inner, found
            yield from tables(found, inner)


@cache
def every_table() -> dict[str, Schema]:
    found = {path: schema for path, schema in tables(whole()) if path != "doors"}
    return {**found, "heads.drive.truth": whole()["$defs"]["HeadTruth"]}


WRITTEN = {
    name: table(PAGES[page], f"table {name}")
    for page in OWN_TABLES
    for name in re.findall(r"<!-- table (\S+) -->", PAGES[page])
}


def takes(schema: Schema) -> str:
    """What may stand at a key, as the manual writes it."""
    if "anyOf" in schema:
        return " or ".join(dict.fromkeys(map(takes, schema["anyOf"])))
    if "enum" in schema or "const" in schema:
        return ", ".join(f"`{json.dumps(one)}`" for one in schema.get("enum", [schema.get("const")]))
    if "$ref" in schema:
        return "a table"
    if schema["type"] in ("number", "integer"):
        return number(schema)
    words = {"boolean": "`true`, `false`", "object": "a table", "array": "a list", "string": "text"}
    if "prefixItems" in schema and schema["prefixItems"][0].get("minimum") == 1:
        return "`[w, d, h]`"
    if "prefixItems" in schema:
        return {3: "`[x, y, z]`", 2: "`[warm, cool]`"}[len(schema["prefixItems"])]
    if schema.get("pattern") == "^[a-z0-9][a-z0-9-]{0,31}$":
        return "a name"
    return words[schema["type"]]


def number(schema: Schema) -> str:
    whole = ", whole" if schema["type"] == "integer" else ""
    if "minimum" not in schema:
        return "number"
    below = "" if "maximum" in schema else "below "
    most = schema.get("maximum", schema.get("exclusiveMaximum"))
    return f"{schema['minimum']:,.10g} to {below}{most:,.10g}{whole}"


def row(key: str, schema: Schema) -> list[str]:
    value = schema["properties"][key]
    left_out = f"`{json.dumps(value['default'])}`" if "default" in value else ""
    return [f"`{key}`", "needed" if key in schema.get("required", ()) else left_out, takes(value)]


@pytest.mark.parametrize("name", WRITTEN)
def test_a_table_of_the_rig_file_has_every_key_and_what_it_takes(name: str) -> None:
    assert [cells[:3] for cells in WRITTEN[name]] == [
        row(key, every_table()[name]) for key in every_table()[name]["properties"]
    ]
    assert all(cells[3] for cells in WRITTEN[name])


def test_every_table_of_the_rig_file_is_written_down() -> None:
    """One that stands at two places, as a lamp's photometry does, once."""
    assert {id(every_table()[name]) for name in WRITTEN} == set(map(id, every_table().values()))
    named = set(re.findall(r"(?m)^\| \[`\[+([a-z]+)", PAGES["rig-file"]))
    assert named == set(whole()["properties"])


def test_the_blocks_of_the_whole_manual_are_closed() -> None:
    for name, text in TEXTS.items():
        assert text.count("```") % 2 == 0, name
        for mark in re.findall(r"<!-- ([^/].*?) -->", text):
            assert text.count(f"<!-- {mark} -->") == text.count(f"<!-- /{mark} -->") == 1, (name, mark)
