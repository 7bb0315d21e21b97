"""The `[keys]` table: what the keys of a keyboard, foot switch or presentation remote do."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from fillside.rig.tables.fields import Flag, Name, Number, Table
from fillside.rig.tables.key_words import Action, action_of

USUAL = {
    "page_down": "next",
    "right": "next",
    "page_up": "previous",
    "left": "previous",
    "home": "first",
    "b": "freeze-or-follow",
    "dot": "freeze-or-follow",
    "f": "follow",
    "z": "freeze",
    "u": "undo",
    "plus": "trim fill +1/3",
    "minus": "trim fill -1/3",
}
"""What keys do when no table says otherwise: a presentation remote walks, and one button holds still."""


def _action(text: str) -> str:
    action_of(text)
    return text


KeyName = Annotated[str, Field(pattern=r"^[a-z0-9_]{1,32}$")]
ActionText = Annotated[str, Field(max_length=128), AfterValidator(_action)]


class Keys(Table):
    """Keys and what they do, for ``fillside keys``."""

    programme: Annotated[tuple[Name, ...], Field(max_length=1000)] = Field(
        default=(), description='marks in the order they are walked, as ["desk", "door", "desk"]'
    )
    around: Flag = Field(default=False, description="true: behind the last mark comes the first again")
    debounce_ms: Annotated[Number, Field(ge=0, le=2000)] = Field(
        default=120.0, description="milliseconds in which the same key again is the same press, such as 120"
    )
    step_pause_ms: Annotated[Number, Field(ge=0, le=10_000)] = Field(
        default=750.0, description="the same for keys that walk from mark to mark, such as 750"
    )
    press: Annotated[dict[KeyName, ActionText], Field(max_length=200)] = Field(
        default_factory=lambda: dict(USUAL),
        description='what each key does, as page_down = "next" or plus = "trim fill +1/3"',
    )

    @property
    def actions(self) -> dict[str, Action]:
        """What each key does, understood."""
        return {key: action_of(text) for key, text in self.press.items()}


class KeysFile(Table):
    """A file that holds nothing but a `[keys]` table."""

    keys: Keys = Field(description="the table [keys]: what each key does")
