"""Options of a DMX512-A wire on a serial adapter, and the drive of a head on it; needs no serial package."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, Strict, model_validator

from fillside_drivers.dmx_serial.timing import LEAST_SLOTS, LONGEST_PACKET_S, highest_rate_hz
from fillside_drivers.driver import OptionsModel
from fillside_drivers.slots import SLOTS, SlotDrive


class DmxSerialOptions(OptionsModel):
    """``[drivers.NAME]`` with ``kind = "dmx-serial"``.

    Attributes:
        device: the adapter's device file; a path under ``/dev/serial/by-id`` survives replugging.
        slots: number of slots in a packet, 24 to 512.
        rate_hz: refresh rate of the slots while nothing changes; changes do not wait for it.
    """

    device: Annotated[str, Field(min_length=1)]
    slots: Annotated[int, Field(ge=LEAST_SLOTS, le=SLOTS), Strict()] = SLOTS
    rate_hz: Annotated[float, Field(ge=1 / LONGEST_PACKET_S, le=1000), Strict()] = 40.0

    @model_validator(mode="after")
    def _line_carries_it(self) -> Self:
        most = highest_rate_hz(self.slots)
        if self.rate_hz > most:
            raise ValueError(f"{self.slots} slots can be sent at most {most:.1f} times a second")
        return self


class DmxSerialDrive(SlotDrive):
    """A head's place: slot 1..512, within the slots that the driver sends."""
