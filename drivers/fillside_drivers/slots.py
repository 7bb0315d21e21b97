"""The place of a head among the 512 slots of a DMX universe, shared by all drivers with slots.

Slots are numbered 1..512 here as everywhere; only the codecs know octet offsets and the start code.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from itertools import repeat
from typing import Annotated, Literal, Self

import numpy as np
from pydantic import Field, Strict, model_validator

from fillside_drivers.driver import Channel, DriveModel
from fillside_drivers.gdtf.mode import SLOTS, LampMode, Octet, SlotKey

__all__ = ["SLOTS", "Slot", "SlotDrive", "SlotFrame", "SlotFrames", "SlotKeys"]

Slot = Annotated[int, Field(ge=1, le=SLOTS), Strict()]
MOST_OCTETS = 2
"""Most octets of a code; a dimmer's finer octets are held at 0."""
_NO_CODE = -1


class SlotKeys(DriveModel):
    """The keys of a head's place among slots.

    Attributes:
        slot: the head's slot; with 16 bits the coarse one, followed by the fine one.
        bits: 8 or 16.
        cool_slot: slot of the cool channel of a lamp with two whites, with as many bits; `slot` is the warm
            one.
        fixed: slots to hold at a value, such as an open shutter, as { "3" = 255 }.
        gdtf: GDTF file of the lamp beside the rig file, as "lamp.gdtf"; `slot` is then the lamp's start
            address, and the file supplies the rest.
        mode: the mode of that file that the lamp is set to.
    """

    slot: Slot | None = None
    bits: Literal[8, 16] = 8
    cool_slot: Slot | None = None
    fixed: dict[SlotKey, Octet] = Field(
        default_factory=dict, description='slots held at a value from 0 to 255, as { "3" = 255 }'
    )
    gdtf: str | LampMode | None = Field(
        default=None, description='the lamp\'s description beside the rig file, as "lamp.gdtf"'
    )
    mode: Annotated[str, Field(min_length=1, max_length=128)] | None = None

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.mode is not None and self.gdtf is None:
            raise ValueError("mode is of a lamp's description; give gdtf, or leave it out")
        if isinstance(self.gdtf, str):
            raise ValueError(f"{self.gdtf!r} was not read; a rig file that names files is read from disk")
        if self.gdtf is not None and (self.slot is None or "bits" in self.model_fields_set):
            raise ValueError("with gdtf give slot, the lamp's start address, and leave bits out")
        if max((*self.octet_slots, *self.cool_slots, *self.held), default=0) > SLOTS:
            if self.gdtf is None:
                raise ValueError(f"a 16-bit head takes two slots; the last it can start at is {SLOTS - 1}")
            raise ValueError(f"the lamp takes slots beyond {SLOTS}; give it a lower start address")
        if set(self.octet_slots) & set(self.cool_slots):
            raise ValueError("slot and cool_slot must be two places that do not overlap")
        both = [slot for slot in map(int, self.fixed) if slot in (*self.octet_slots, *self.cool_slots)]
        if both:
            raise ValueError(f"slot {both[0]} is dimmed, so it cannot be held at a fixed value")
        return self

    @property
    def octet_slots(self) -> tuple[int, ...]:
        """The slots of the head's code, the coarsest first; none if the file gives no slot."""
        if self.slot is None:
            return ()
        if isinstance(self.gdtf, LampMode):
            return tuple(self.slot + offset - 1 for offset in self.gdtf.dimmer[:MOST_OCTETS])
        return tuple(range(self.slot, self.slot + self.bits // 8))

    @property
    def cool_slots(self) -> tuple[int, ...]:
        """The slots of the cool channel's code, the coarsest first; none without such a channel."""
        if self.cool_slot is None:
            return ()
        return tuple(range(self.cool_slot, self.cool_slot + self._octets))

    @property
    def whites(self) -> Literal["channels", "told"] | None:
        return None if self.cool_slot is None else "channels"

    @property
    def held(self) -> dict[int, int]:
        """The held slots with their values; the rig file takes precedence over the GDTF file."""
        held: dict[int, int] = {}
        if isinstance(self.gdtf, LampMode) and self.slot is not None:
            finer = dict.fromkeys(self.gdtf.dimmer[MOST_OCTETS:], 0)
            offsets = {int(offset): octet for offset, octet in self.gdtf.held.items()}
            held = {self.slot + offset - 1: octet for offset, octet in {**finer, **offsets}.items()}
        held |= {int(slot): octet for slot, octet in self.fixed.items()}
        return {slot: octet for slot, octet in held.items() if slot not in self.cool_slots}

    @property
    def _octets(self) -> int:
        if isinstance(self.gdtf, LampMode):
            return min(len(self.gdtf.dimmer), MOST_OCTETS)
        return self.bits // 8

    @property
    def full_scale(self) -> int:
        return int(256**self._octets - 1)

    def claims(self) -> tuple[Hashable, ...]:
        return (*self.octet_slots, *self.cool_slots, *sorted(self.held))

    def split(self) -> tuple[Self, ...]:
        if self.cool_slot is None:
            return (self,)
        bits = 8 * self._octets
        plain: dict[str, object] = {"cool_slot": None, "gdtf": None, "mode": None, "fixed": {}, "bits": bits}
        return (
            self.model_copy(update={"cool_slot": None, "fixed": {str(s): v for s, v in self.held.items()}}),
            self.model_copy(update={**plain, "slot": self.cool_slot}),
        )


class SlotDrive(SlotKeys):
    """A head on one 8-bit slot, or on two for 16 bits: the coarse `slot`, then the fine one."""

    slot: Slot


class SlotFrames:
    """The slots of several universes, kept from frame to frame; free slots are 0.

    All channels are written at once, as arrays: that is what a fade of some hundred heads costs. Held slots
    have their values from the first frame on, whatever the heads' codes.
    """

    def __init__(self, channels: Mapping[int, Iterable[Channel]], count: int = SLOTS) -> None:
        """`channels` has those of each universe, and each universe has `count` slots."""
        self._row_of = {universe: row for row, universe in enumerate(channels)}
        self._universes = tuple(channels)
        self._slots = np.zeros((len(self._universes), count), dtype=np.uint8)
        names: list[str] = []
        rows: list[int] = []
        octets: list[tuple[int, int, int]] = []
        for row, own in enumerate(channels.values()):
            for channel in own:
                if not isinstance(channel.drive, SlotKeys):
                    continue
                for slot, octet in channel.drive.held.items():
                    self._slots[row, slot - 1] = octet
                slots = channel.drive.octet_slots
                octets += [
                    (len(names), row * count + slot - 1, 8 * finer)
                    for slot, finer in zip(slots, reversed(range(len(slots))), strict=True)
                ]
                names.append(channel.name)
                rows.append(row)
        self._names, self._rows = names, np.array(rows, dtype=np.intp)
        self._channel, self._place, self._bits = np.array(octets, dtype=np.intp).reshape(-1, 3).T
        self._codes = np.full(len(names), _NO_CODE, dtype=np.int64)

    def put(self, codes: Mapping[str, int]) -> list[int]:
        """Store the codes of the channels; return the universes in which one changed or is the first."""
        given = np.fromiter(
            map(codes.get, self._names, repeat(_NO_CODE)), dtype=np.int64, count=len(self._names)
        )
        changed = (given != self._codes) & (given != _NO_CODE)
        if not changed.any():
            return []
        self._codes = np.where(changed, given, self._codes)
        octets = np.maximum(self._codes, 0)[self._channel] >> self._bits & 255
        self._slots.reshape(-1)[self._place] = octets
        is_changed = np.zeros(len(self._universes), dtype=bool)
        is_changed[self._rows[changed]] = True
        return [self._universes[row] for row in np.flatnonzero(is_changed).tolist()]

    def octets(self, universe: int) -> bytes:
        """The current slots of a universe, starting with slot 1."""
        octets: bytes = self._slots[self._row_of[universe]].tobytes()
        return octets


class SlotFrame:
    """The slots of one universe, as in `SlotFrames`.

    >>> frame = SlotFrame([Channel("key", SlotDrive(slot=2, bits=16, fixed={"4": 255}))], count=5)
    >>> frame.put({"key": 0x1234}), frame.put({"key": 0x1234}), frame.octets.hex()
    (True, False, '001234ff00')
    """

    def __init__(self, channels: Iterable[Channel], count: int = SLOTS) -> None:
        self._frames = SlotFrames({0: channels}, count)

    def put(self, codes: Mapping[str, int]) -> bool:
        """Store the codes of the universe's channels; return True if one changed or is the first."""
        return bool(self._frames.put(codes))

    @property
    def octets(self) -> bytes:
        """The current slots, starting with slot 1."""
        return self._frames.octets(0)
