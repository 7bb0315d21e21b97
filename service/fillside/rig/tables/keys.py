"""The `[keys]` table: the actions of the keys of a keyboard, foot switch or presentation remote.

An action is a phrase, which is not interpreted here. The validation context holds a reader of phrases under
`READ_PHRASE`; without one, phrases are accepted unchecked.
"""

from __future__ import annotations

import string
from collections.abc import Callable
from typing import Annotated, Protocol

from pydantic import AfterValidator, Field, ValidationInfo

from fillside.rig.fields import Flag, Name, Number, Table

KEY_NAMES: dict[str, tuple[str, ...]] = {
    **{letter: (letter.upper(),) for letter in string.ascii_lowercase},
    **{digit: (digit, f"KP{digit}") for digit in string.digits},
    **{f"f{number}": (f"F{number}",) for number in range(1, 25)},
    "page_down": ("PAGEDOWN",),
    "page_up": ("PAGEUP",),
    "left": ("LEFT",),
    "right": ("RIGHT",),
    "up": ("UP",),
    "down": ("DOWN",),
    "home": ("HOME",),
    "end": ("END",),
    "insert": ("INSERT",),
    "delete": ("DELETE",),
    "enter": ("ENTER", "KPENTER"),
    "space": ("SPACE",),
    "tab": ("TAB",),
    "escape": ("ESC",),
    "backspace": ("BACKSPACE",),
    "plus": ("KPPLUS",),
    "minus": ("MINUS", "KPMINUS"),
    "equal": ("EQUAL", "KPEQUAL"),
    "comma": ("COMMA", "KPCOMMA"),
    "dot": ("DOT", "KPDOT"),
    "slash": ("SLASH", "KPSLASH"),
    "star": ("KPASTERISK",),
    "semicolon": ("SEMICOLON",),
    "apostrophe": ("APOSTROPHE",),
    "grave": ("GRAVE",),
    "backslash": ("BACKSLASH",),
    "left_bracket": ("LEFTBRACE",),
    "right_bracket": ("RIGHTBRACE",),
    "left_shift": ("LEFTSHIFT",),
    "right_shift": ("RIGHTSHIFT",),
    "left_ctrl": ("LEFTCTRL",),
    "right_ctrl": ("RIGHTCTRL",),
    "left_alt": ("LEFTALT",),
    "right_alt": ("RIGHTALT",),
    "next": ("NEXT",),
    "previous": ("PREVIOUS",),
    "next_song": ("NEXTSONG",),
    "previous_song": ("PREVIOUSSONG",),
    "play_pause": ("PLAYPAUSE",),
    "stop": ("STOPCD", "STOP"),
    "volume_up": ("VOLUMEUP",),
    "volume_down": ("VOLUMEDOWN",),
    "mute": ("MUTE",),
    "forward": ("FORWARD",),
    "back": ("BACK",),
    "power": ("POWER",),
    "camera_key": ("CAMERA",),
    "mouse_left": ("BTN_LEFT",),
    "mouse_right": ("BTN_RIGHT",),
    "mouse_middle": ("BTN_MIDDLE",),
}
"""Names of keys, and the Linux input event codes (linux/input-event-codes.h, without ``KEY_``) of each.

Keys of the number block count as those of the main block.
"""

USUAL_KEYS = {
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
"""The default actions: a presentation remote walks from mark to mark, and one button freezes."""


READ_PHRASE = "read_phrase"


class Phrase(Protocol):
    """The part of a key's action that concerns the rig: the named role, mark or head."""

    @property
    def role(self) -> str | None: ...
    @property
    def mark(self) -> str | None: ...
    @property
    def head(self) -> str | None: ...


ReadPhrase = Callable[[str], Phrase]
"""Reads a phrase; raises ValueError with a message that says what would be right."""


def _checked(text: str, info: ValidationInfo) -> str:
    read: ReadPhrase | None = (info.context or {}).get(READ_PHRASE)
    if read is not None:
        read(text)
    return text


KeyName = Annotated[str, Field(pattern=r"^[a-z0-9_]{1,32}$")]
ActionText = Annotated[str, Field(max_length=128), AfterValidator(_checked)]


class Keys(Table):
    """Keys and their actions, for ``fillside keys``."""

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
        default_factory=lambda: dict(USUAL_KEYS),
        description='what each key does, as page_down = "next" or plus = "trim fill +1/3"',
    )


class KeysFile(Table):
    """A file that contains only a `[keys]` table."""

    keys: Keys = Field(description="the table [keys]: what each key does")
