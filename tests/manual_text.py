"""The README and the manual's pages, as the tests that hold them to the code read them."""

from __future__ import annotations

import re
from pathlib import Path

import fillside

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")
FOLDER = Path(fillside.__file__).parent / "manual"
PAGES = {path.stem: path.read_text("utf-8") for path in sorted(FOLDER.glob("*.md"))}
"""The text of every page by its name."""
TEXTS = {"README": README, **PAGES}


def marked(text: str, name: str) -> str:
    """What stands between the two comments of that name; it is there once."""
    (body,) = re.findall(rf"<!-- {re.escape(name)} -->\n(.*?)<!-- /{re.escape(name)} -->", text, re.DOTALL)
    return str(body)


def table(text: str, name: str) -> list[list[str]]:
    """The cells of the table between two comments, without its heading."""
    rows = [line.strip().strip("|").split("|") for line in marked(text, name).strip().splitlines()]
    return [[cell.strip() for cell in row] for row in rows[2:]]


def blocks(text: str, language: str) -> list[str]:
    """The code blocks of a language, those inside lists too, without their indent."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^ *```", text, re.DOTALL | re.MULTILINE)
    return ["".join(line.removeprefix(indent) for line in body.splitlines(True)) for indent, body in found]
