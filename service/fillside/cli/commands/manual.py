"""``fillside manual``: the pages of the manual as plain text, formatted for the terminal's width."""

from __future__ import annotations

import difflib
import json
import re
import shutil
import textwrap
from collections.abc import Iterator
from itertools import zip_longest

import click
from click.shell_completion import CompletionItem

from fillside.cli.group import WrongUse
from fillside.manual.pages import ManualPage
from fillside.manual.pages import manual as pages_of_manual
from fillside.text.escapes import escape_controls

WIDEST, NARROWEST = 100, 40
_LINK = re.compile(r"\[(`[^`]*`|[^\[\]]*)\]\(([\w-]*)(?:\.md)?(?:#[\w-]*)?\)")
_CODE_ALONE = re.compile(r"`([^`]+)`")
_CODE = re.compile(r"`[^`]+`")
LONGEST_TOGETHER = 30
_NO_BREAK = "\N{NO-BREAK SPACE}"
_ITEM = re.compile(r"(- |\d+\. )")
_RULES = {"# ": "=", "## ": "-", "### ": "~"}


def _complete(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    found = pages_of_manual().values()
    return [CompletionItem(one.name, help=one.title) for one in found if one.name.startswith(incomplete)]


@click.command(
    epilog="""\b
Examples:
  fillside manual              which pages there are
  fillside manual wires        sACN, DMX, MQTT
  fillside manual rig-file | grep -A 12 "^balance"
"""
)
@click.argument("name", metavar="[PAGE]", required=False, shell_complete=_complete)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def manual(name: str | None, as_json: bool) -> None:
    """The manual, one page per subject; it needs no daemon and no internet."""
    if name is None:
        _list_pages(as_json)
        return
    page = _page(name)
    if as_json:
        click.echo(json.dumps({"name": page.name, "title": page.title, "text": page.text}))
        return
    # A pager's input bypasses the stream that escapes control characters.
    click.echo_via_pager(escape_controls(plain_text(page.text, _width()) + "\n"))


def _width() -> int:
    return min(max(shutil.get_terminal_size((WIDEST, 24)).columns, NARROWEST), WIDEST)


def _list_pages(as_json: bool) -> None:
    found = pages_of_manual().values()
    if as_json:
        listed = [{"name": one.name, "title": one.title, "summary": one.summary} for one in found]
        click.echo(json.dumps(listed))
        return
    name_wide = max(len(one.name) for one in found)
    widths = [name_wide, _width() - name_wide - 2]
    click.echo("\n".join(line for one in found for line in _row([one.name, one.summary], widths)) + "\n")
    click.echo("`fillside manual PAGE` prints one; the page in the browser has them under Help.")


def _page(name: str) -> ManualPage:
    found = pages_of_manual()
    page = found.get(name.strip().lower().removesuffix(".md"))
    if page is None:
        raise WrongUse(f"there is no page {name!r}; {_near(name)}")
    return page


def _near(name: str) -> str:
    """Suggest pages with a similar name, or else pages with the word in their summary or a heading."""
    near = difflib.get_close_matches(name.lower(), pages_of_manual(), n=3, cutoff=0.7)
    if near:
        return f"did you mean {' or '.join(near)}?"
    about = [one.name for one in pages_of_manual().values() if _tells_of(one, name.lower())]
    if about:
        return f"it is in {', '.join(about)}"
    return "`fillside manual` lists them all"


def _tells_of(page: ManualPage, word: str) -> bool:
    words = re.findall(r"\w+", " ".join((*page.headings, page.summary)).lower())
    return word.rstrip("s") in (each.rstrip("s") for each in words)


def plain_text(markdown: str, width: int) -> str:
    """Format a page as text at most `width` columns wide, except for code."""
    return "\n\n".join(_laid_out(part, width) for part in _parts(markdown))


def _parts(markdown: str) -> Iterator[list[str]]:
    """Yield the lines of each paragraph, list item, table and block of code."""
    lines: list[str] = []
    fence = False
    for line in (*markdown.splitlines(), ""):
        marks = line.lstrip().startswith("```")
        if not fence and lines and (not line.strip() or marks or _begins(line, lines[-1])):
            yield lines
            lines = []
        if line.strip() or fence:
            lines.append(line)
        if marks and fence:
            yield lines
            lines = []
        fence = fence != marks


def _begins(line: str, before: str) -> bool:
    """Return whether a line begins a new block: a list item or a table."""
    return bool(_ITEM.match(line)) or line.startswith("|") != before.startswith("|")


def _laid_out(lines: list[str], width: int) -> str:
    if lines[0].lstrip().startswith("```"):
        return "\n".join(f"    {line}".rstrip() for line in lines[1:-1])
    if lines[0].startswith("    "):
        return "\n".join(lines)
    if lines[0].startswith("|"):
        return _table([_cells(line) for index, line in enumerate(lines) if index != 1], width)
    text = _inline(" ".join(line.strip() for line in lines))
    for mark, rule in _RULES.items():
        if text.startswith(mark):
            title = text.removeprefix(mark)
            return f"{title}\n{rule * len(title)}"
    item = _ITEM.match(text)
    first = " " * (len(lines[0]) - len(lines[0].lstrip()))
    after = first + " " * (item.end() if item else 0)
    return _filled(text, width, first, after)


def _filled(text: str, width: int, first: str = "", after: str = "") -> str:
    """Wrap a paragraph; keep short code on one line."""
    filled = textwrap.fill(
        _CODE.sub(_together, text),
        width,
        initial_indent=first,
        subsequent_indent=after,
        break_on_hyphens=False,
        break_long_words=False,
    )
    return filled.replace(_NO_BREAK, " ")


def _together(code: re.Match[str]) -> str:
    return code[0].replace(" ", _NO_BREAK) if len(code[0]) <= LONGEST_TOGETHER else code[0]


def _inline(text: str) -> str:
    """Replace each link by its text and the page it leads to; drop the marks of bold type."""
    return _LINK.sub(_link, text).replace("**", "")


def _link(found: re.Match[str]) -> str:
    words, name = found[1], found[2]
    return f"{words} (`fillside manual {name}`)" if name else words


def _cells(line: str) -> list[str]:
    cells = (_inline(cell.strip()) for cell in line.strip().strip("|").split("|"))
    return [alone[1] if (alone := _CODE_ALONE.fullmatch(cell)) else cell for cell in cells]


def _table(rows: list[list[str]], width: int) -> str:
    """Align rows in columns; narrow the widest column until the table fits."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    while sum(widths) + 2 * (len(widths) - 1) > width:
        widths[widths.index(max(widths))] -= 1
    head, *body = rows
    lines = [*_row(head, widths), "  ".join("-" * wide for wide in widths)]
    return "\n".join((*lines, *(line for row in body for line in _row(row, widths))))


def _row(cells: list[str], widths: list[int]) -> list[str]:
    wrapped = [
        textwrap.wrap(cell, wide, break_on_hyphens=False) if cell else [""]
        for cell, wide in zip(cells, widths, strict=True)
    ]
    return [
        "  ".join(f"{part:{wide}}" for part, wide in zip(line, widths, strict=True)).rstrip()
        for line in zip_longest(*wrapped, fillvalue="")
    ]
