"""The place of a head among the 512 slots of a DMX universe, shared by all drivers with slots.

Slots are numbered 1..512 here as everywhere; only the codecs know octet offsets and the start code.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from typing import Annotated, Literal, Self

from pydantic import Field, Strict, model_validator

from fillside_drivers.driver import Channel, DriveModel
from fillside_drivers.gdtf.mode import SLOTS, LampMode, Octet, SlotKey

__all__ = ["SLOTS", "Slot", "SlotDrive", "SlotFrame", "SlotKeys"]

Slot = Annotated[int, Field(ge=1, le=SLOTS), Strict()]
MOST_OCTETS = 2
"""Most octets of a code; a dimmer's finer octets are held at 0."""


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


class SlotFrame:
    """The slots of one universe, kept from frame to frame; free slots are 0.

    Held slots have their values from the first frame on, whatever the heads' codes.

    >>> frame = SlotFrame([Channel("key", SlotDrive(slot=2, bits=16, fixed={"4": 255}))], count=5)
    >>> frame.put({"key": 0x1234}), frame.put({"key": 0x1234}), frame.octets.hex()
    (True, False, '001234ff00')
    """

    def __init__(self, channels: Iterable[Channel], count: int = SLOTS) -> None:
        self._slots = bytearray(count)
        self._codes: dict[str, int] = {}
        self._places: dict[str, tuple[tuple[int, int], ...]] = {}
        """Of each channel, the place of each octet and the bits to the right of it in the code."""
        for channel in channels:
            if isinstance(channel.drive, SlotKeys):
                slots = channel.drive.octet_slots
                bits = range(8 * (len(slots) - 1), -1, -8)
                self._places[channel.name] = tuple(
                    (slot - 1, right) for slot, right in zip(slots, bits, strict=True)
                )
                for slot, octet in channel.drive.held.items():
                    self._slots[slot - 1] = octet

    def put(self, codes: Mapping[str, int]) -> bool:
        """Store the codes of the universe's channels; return True if one changed or is the first."""
        changed, slots, known = False, self._slots, self._codes
        for name, places in self._places.items():
            code = codes.get(name)
            if code is not None and known.get(name) != code:
                known[name] = code
                for place, bits in places:
                    slots[place] = code >> bits & 255
                changed = True
        return changed

    @property
    def octets(self) -> bytes:
        """The current slots, starting with slot 1."""
        return bytes(self._slots)
