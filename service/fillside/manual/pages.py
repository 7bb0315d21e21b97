"""The pages of the manual, in the order of a reader who begins."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

NAMES = (
    "cautions",
    "first-rig",
    "planning",
    "rig-file",
    "wires",
    "metering",
    "orders",
    "http",
    "mqtt",
    "osc",
    "keys",
    "access",
    "service",
    "troubles",
    "drivers",
)
_COMMENT = re.compile(r"(?m)^<!-- .* -->\n")
_HEADING = re.compile(r"(?m)^#+ (.*)$")


@dataclass(frozen=True)
class ManualPage:
    """One page; `text` is CommonMark with tables, without the comments that tests go by."""

    name: str
    text: str

    @property
    def title(self) -> str:
        return self.text.partition("\n")[0].removeprefix("# ")

    @property
    def summary(self) -> str:
        """The contents of the page in one line."""
        return self.text.splitlines()[2]

    @property
    def headings(self) -> list[str]:
        return _HEADING.findall(self.text)


@cache
def manual() -> dict[str, ManualPage]:
    """Every page by its name. Raises OSError where the pages are not installed."""
    folder = files("fillside") / "manual"
    return {
        name: ManualPage(name, _COMMENT.sub("", (folder / f"{name}.md").read_text("utf-8"))) for name in NAMES
    }


def anchor_of(heading: str) -> str:
    """The name of a heading in a link.

    >>> anchor_of("Over Ethernet: `sacn` (ANSI E1.31)")
    'over-ethernet-sacn-ansi-e131'
    """
    return re.sub(r"[^\w\- ]", "", heading).lower().replace(" ", "-")
