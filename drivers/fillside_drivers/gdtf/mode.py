"""One mode of a lamp on its wire: the dimmer's slots, and the values of all others.

This module is separate from the reader so that a rig without GDTF files loads neither zip nor XML.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, Strict

SLOTS = 512
Offset = Annotated[int, Field(ge=1, le=SLOTS), Strict()]
Octet = Annotated[int, Field(ge=0, le=255), Strict()]
SlotKey = Annotated[str, Field(pattern=r"^(?:[1-9]|[1-9]\d|[1-4]\d\d|50\d|51[0-2])$")]
"""A slot as a key of a table: "1" to "512"."""


class LampMode(BaseModel):
    """A mode with offsets counted from the lamp's start address, which is offset 1.

    Attributes:
        file: the GDTF file it was read from.
        mode: the mode's name in the file.
        dimmer: offsets of the dimmer's octets, the coarsest first.
        held: the value of every other slot of the mode.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)

    file: str
    mode: str
    dimmer: Annotated[tuple[Offset, ...], Field(min_length=1, max_length=4)]
    held: dict[SlotKey, Octet] = Field(default_factory=dict)
