"""What the keys of keyboards, foot switches and presentation remotes are called in a `[keys]` table.

The names are small words; beside each stand the Linux input event codes (linux/input-event-codes.h, without
``KEY_``) that mean it. A key of the number block is the same as that of the main block.
"""

from __future__ import annotations

import string

KEYS: dict[str, tuple[str, ...]] = {
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
"""Our name, and the codes of Linux that mean it."""

OF_CODE = {
    code if code.startswith("BTN_") else f"KEY_{code}": name for name, own in KEYS.items() for code in own
}
"""The other way: the full name of a Linux code to ours."""

OF_CHARACTER = {
    **{letter: letter for letter in string.ascii_lowercase + string.digits},
    **{letter.upper(): letter for letter in string.ascii_lowercase},
    " ": "space",
    "\t": "tab",
    "\r": "enter",
    "\n": "enter",
    "\x08": "backspace",
    "\x7f": "backspace",
    "\x1b": "escape",
    "+": "plus",
    "-": "minus",
    "=": "equal",
    ",": "comma",
    ".": "dot",
    "/": "slash",
    "*": "star",
    ";": "semicolon",
    "'": "apostrophe",
    "`": "grave",
    "\\": "backslash",
    "[": "left_bracket",
    "]": "right_bracket",
}
"""What a terminal sends for a key that has a character."""
