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


def put(slots: bytearray, drive: SlotDrive, code: int) -> None:
    """Write a code into a universe's slots, `slots[0]` being slot 1."""
    slots[drive.slot - 1 : drive.slot - 1 + drive.bits // 8] = code.to_bytes(drive.bits // 8, "big")


def slots_of(channels: Iterable[Channel], codes: Mapping[str, int], count: int = SLOTS) -> bytes:
    """The slots 1..count of one universe; what no channel occupies is 0, and so is a channel without a code.

    >>> slots_of([Channel("key", SlotDrive(slot=2, bits=16))], {"key": 0x1234}, count=4).hex()
    '00123400'
    """
    slots = bytearray(count)
    for channel in channels:
        if isinstance(channel.drive, SlotDrive):
            put(slots, channel.drive, codes.get(channel.name, 0))
    return bytes(slots)
