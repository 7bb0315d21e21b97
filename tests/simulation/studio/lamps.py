"""The lamps of a world: what they are sent, and the light they give.

E1.31 is read by a decoder that is not ours (the package `sacn`), as it leaves the machine: what the network
then loses is no step of the controller's.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sacn.messages.data_packet import DataPacket

from simulation.machine.network import SimulatedNetwork

Args = dict[str, Any]
E131_PORT = 5568
DROPPED_BEHIND = 20
ROOT_VECTOR, CID, SEQUENCE = slice(18, 22), slice(22, 38), 111
UNIVERSE, FIRST_SLOT = slice(113, 115), 126
DATA_VECTOR = b"\x00\x00\x00\x04"
"""ANSI E1.31-2018, table 4-1."""
CURVES: dict[str, Callable[[float], float]] = {
    "square": lambda level: level * level,
    "linear": lambda level: level,
    "log": lambda level: 10 ** (3 * (level - 1)) if level > 0 else 0.0,
}
"""The definitions of the curves, not the product's code."""


class Lamp:
    """One lamp: its full scale and dimming, and the codes it was sent, with their times."""

    def __init__(self, head: Args) -> None:
        self.name: str = head["name"]
        self.bits = head["drive"].get("bits", 8)
        self.full = 2**self.bits - 1
        self.curve = CURVES[head["dimming"]["curve"]]
        self.code: int | None = None
        self.changed_s = 0.0
        self.on_code: list[Callable[[Lamp, int | None, int], object]] = []
        """Called with the lamp, the code before, and the new one."""

    def output(self, code: int) -> float:
        """The share of the full light at a code."""
        return self.curve(code / self.full)

    def take(self, code: int, now_s: float) -> None:
        before, self.code = self.code, code
        if before != code:
            self.changed_s = now_s
        for tell in self.on_code:
            tell(self, before, code)


class Stage:
    """Everything that hears our E1.31 stream, at the moment at which it leaves."""

    def __init__(self, network: SimulatedNetwork, rig: Args, lamps: dict[str, Lamp]) -> None:
        self._network = network
        self.octets: list[bytes] = []
        """Every packet as it left, in order."""
        self.last_s = 0.0
        self.numbers: dict[bytes, int] = {}
        """The last sequence number of each source and universe."""
        self._slots: dict[bytes, bytes] = {}
        self.repeated = 0
        """How many packets a receiver drops as out of order (ANSI E1.31-2018, 6.7.2)."""
        self._places: dict[str, tuple[Lamp, int, int]] = {}
        self.use(rig, lamps)
        network.on_sent.append(self._hear)

    def use(self, rig: Args, lamps: dict[str, Lamp]) -> None:
        """Hear for the lamps of a rig too; a lamp that it does not name hangs there still."""
        for head in rig["heads"]:
            if (drive := head["drive"])["driver"] == "stage":
                self._places[head["name"]] = lamps[head["name"]], drive["universe"], drive["slot"]

    def _hear(self, octets: bytes, to: tuple[str, int]) -> None:
        if to[1] != E131_PORT:
            return
        self.octets.append(octets)
        if octets[ROOT_VECTOR] != DATA_VECTOR:
            return  # a packet of discovery or of synchronisation
        self.last_s = self._network.loop.now
        source, slots = octets[CID] + octets[UNIVERSE], octets[FIRST_SLOT:]
        if (last := self.numbers.get(source)) is not None:
            self.repeated += (last - octets[SEQUENCE]) % 256 < DROPPED_BEHIND
        self.numbers[source] = octets[SEQUENCE]
        if self._slots.get(source) == slots:
            return
        self._slots[source] = slots
        self._take(octets)

    def _take(self, octets: bytes) -> None:
        packet = DataPacket.make_data_packet(octets)
        slots = packet.dmxData
        for lamp, universe, slot in self._places.values():
            if packet.universe == universe:
                code = slots[slot - 1]
                if lamp.bits == 16:
                    code = code << 8 | slots[slot]
                lamp.take(code, self.last_s)
