"""Where a head sits among the 512 slots of a DMX universe, shared by the drivers that have slots.

Slots are 1..512 here as everywhere; only the codecs know octet offsets and the start code.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from typing import Annotated, Literal, Self

from pydantic import Field, Strict, model_validator

from fillside_drivers.driver import Channel, DriveModel

SLOTS = 512
"""Slots of one universe, ANSI E1.11."""

Slot = Annotated[int, Field(ge=1, le=SLOTS), Strict()]


class SlotDrive(DriveModel):
    """A head on one 8-bit slot, or on two for 16 bits: coarse in `slot`, fine in the one after it."""

    slot: Slot
    bits: Literal[8, 16] = 8

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.slot + self.bits // 8 - 1 > SLOTS:
            raise ValueError(f"a 16-bit head takes two slots; the last it can start at is {SLOTS - 1}")
        return self

    @property
    def full_scale(self) -> int:
        return int(2**self.bits - 1)

    def claims(self) -> tuple[Hashable, ...]:
        return tuple(range(self.slot, self.slot + self.bits // 8))


class SlotFrame:
    """The slots of one universe, kept from frame to frame; what no channel occupies is 0.

    >>> frame = SlotFrame([Channel("key", SlotDrive(slot=2, bits=16))], count=4)
    >>> frame.put({"key": 0x1234}), frame.put({"key": 0x1234}), frame.octets.hex()
    (True, False, '00123400')
    """

    def __init__(self, channels: Iterable[Channel], count: int = SLOTS) -> None:
        self._slots = bytearray(count)
        self._codes: dict[str, int] = {}
        self._places = {
            channel.name: (channel.drive.slot - 1, channel.drive.bits // 8)
            for channel in channels
            if isinstance(channel.drive, SlotDrive)
        }

    def put(self, codes: Mapping[str, int]) -> bool:
        """Take the codes of the channels that are here; whether one has changed or is a first."""
        changed = False
        for name, (start, octets) in self._places.items():
            code = codes.get(name)
            if code is not None and self._codes.get(name) != code:
                self._codes[name] = code
                self._slots[start : start + octets] = code.to_bytes(octets, "big")
                changed = True
        return changed

    @property
    def octets(self) -> bytes:
        """The slots now, the first of them slot 1."""
        return bytes(self._slots)
