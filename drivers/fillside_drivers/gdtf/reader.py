"""Reader of a GDTF file (DIN SPEC 15800): the slots of one of its modes.

The channel with the attribute Dimmer is driven. Every other channel is held: at its highlight value if it has
one, since that shows the lamp bright and open, otherwise at its default; a shutter whose default is not open
is held open. Unsupported modes are refused: a dimmer without a slot of its own, several dimmers, channels
repeated for pixels, a second start address.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from fillside_drivers.gdtf.archive import GdtfError, description
from fillside_drivers.gdtf.mode import SLOTS, LampMode

DIMMER = "Dimmer"
MOST_SHOWN, LONGEST_SHOWN = 12, 48
"""Limits of the modes listed in a message, and of the characters of a mode's name there."""
_SHUTTER = re.compile(r"Shutter\d+")
_VALUE = re.compile(r"(\d{1,10})/([1-4])(s?)", re.ASCII)
NONE = "None"
_BY_HAND = "say slot, bits and fixed in the rig file instead"


def read_mode(content: bytes, name: str | None = None, *, file: str = "") -> LampMode:
    """Read one mode of a GDTF file by name; the name is optional if there is only one mode.

    Raises:
        GdtfError: a file, mode or channel cannot be used; no other exception is raised.
    """
    root = description(content)
    mode = _mode(root, name)
    title = mode.get("Name", "")
    try:
        dimmer, held = _slots(root, mode)
    except GdtfError as error:
        raise GdtfError(f"mode {title[:LONGEST_SHOWN]!r}: {error}") from None
    return LampMode(
        file=file, mode=title, dimmer=dimmer, held={str(slot): held[slot] for slot in sorted(held)}
    )


def _mode(root: Element, name: str | None) -> Element:
    modes = root.findall("./FixtureType/DMXModes/DMXMode")
    shown = [repr(mode.get("Name", "")[:LONGEST_SHOWN]) for mode in modes[:MOST_SHOWN]]
    names = ", ".join(shown) + (", …" if len(modes) > MOST_SHOWN else "")
    if not modes:
        raise GdtfError("the lamp has no DMX mode")
    if name is None:
        if len(modes) > 1:
            raise GdtfError(f"the lamp has several modes; give mode, one of {names}")
        return modes[0]
    for mode in modes:
        if mode.get("Name") == name:
            return mode
    raise GdtfError(f"there is no mode {name!r}; there is {names}")


@dataclass(frozen=True)
class _Channel:
    element: Element
    offsets: tuple[int, ...]

    @property
    def logical(self) -> list[Element]:
        return self.element.findall("LogicalChannel")

    @property
    def is_dimmer(self) -> bool:
        return any(logical.get("Attribute") == DIMMER for logical in self.logical)

    @property
    def is_grand(self) -> bool:
        return any(logical.get("Master") == "Grand" for logical in self.logical)

    @property
    def functions(self) -> list[Element]:
        return [function for logical in self.logical for function in logical.findall("ChannelFunction")]

    def value(self, element: Element, key: str) -> int | None:
        return dmx_value(element.get(key, ""), len(self.offsets))

    @property
    def name(self) -> str:
        attributes = [logical.get("Attribute", "?") for logical in self.logical]
        return "/".join(attributes) or "a channel"


def _slots(root: Element, mode: Element) -> tuple[tuple[int, ...], dict[int, int]]:
    channels = list(_channels(root, mode))
    dimmer = _dimmer(channels)
    held: dict[int, int] = {}
    for channel in channels:
        if channel is dimmer or not channel.offsets:
            continue
        octets = _held_at(channel).to_bytes(len(channel.offsets), "big")
        for offset, octet in zip(channel.offsets, octets, strict=True):
            if offset in held or offset in dimmer.offsets:
                raise GdtfError(f"two channels are on offset {offset}")
            held[offset] = octet
    return dimmer.offsets, held


def _channels(root: Element, mode: Element) -> Iterator[_Channel]:
    repeated = _repeated_geometries(root)
    for element in mode.findall("./DMXChannels/DMXChannel"):
        channel = _Channel(element, _offsets(element))
        if channel.offsets and element.get("DMXBreak", "1") not in ("1", ""):
            raise GdtfError(f"{channel.name} needs a second start address; {_BY_HAND}")
        if channel.offsets and element.get("Geometry") in repeated:
            raise GdtfError(f"{channel.name} is repeated for parts of the lamp; {_BY_HAND}")
        yield channel


def _repeated_geometries(root: Element) -> set[str | None]:
    """Return the geometries that are referenced for several parts of the lamp, with all their children."""
    geometries = root.find("./FixtureType/Geometries")
    if geometries is None:
        return set()
    named = {reference.get("Geometry") for reference in geometries.iter("GeometryReference")}
    models = [geometry for geometry in geometries if geometry.get("Name") in named]
    return {part.get("Name") for geometry in models for part in geometry.iter()}


def _offsets(element: Element) -> tuple[int, ...]:
    text = element.get("Offset", "").strip()
    if text in ("", NONE):
        return ()
    parts = [part.strip() for part in text.split(",")]
    if not all(re.fullmatch(r"[1-9]\d{0,2}", part, re.ASCII) and int(part) <= SLOTS for part in parts):
        raise GdtfError(f"{text[:24]!r} are no offsets such as 1 or 1,2")
    if len(set(parts)) != len(parts) or len(parts) > 4:
        raise GdtfError(f"{text[:24]!r} are not one to four different offsets")
    return tuple(map(int, parts))


def _dimmer(channels: list[_Channel]) -> _Channel:
    found = [channel for channel in channels if channel.is_dimmer]
    wired = [channel for channel in found if channel.offsets]
    if len(wired) > 1 and len(grand := [channel for channel in wired if channel.is_grand]) == 1:
        wired = grand
    if not wired:
        why = "its Dimmer has no slot of its own" if found else "it has no channel with the attribute Dimmer"
        raise GdtfError(f"{why}; {_BY_HAND}")
    if len(wired) > 1:
        raise GdtfError(f"it has {len(wired)} Dimmer channels; {_BY_HAND}")
    dimmer = wired[0]
    for function in dimmer.functions:
        low, high = _number(function, "PhysicalFrom", 0.0), _number(function, "PhysicalTo", 1.0)
        if function.get("Attribute") != DIMMER or dimmer.value(function, "DMXFrom") or low >= high:
            raise GdtfError(f"its Dimmer is not plain: dark at 0, full at the end of its channel; {_BY_HAND}")
    return dimmer


def _number(element: Element, key: str, default: float) -> float:
    try:
        return float(element.get(key, default))
    except ValueError:
        raise GdtfError(f"{key} is no number") from None


def _held_at(channel: _Channel) -> int:
    highlight = channel.value(channel.element, "Highlight")
    if highlight is not None:
        return highlight
    default = _default(channel)
    if any(_SHUTTER.fullmatch(logical.get("Attribute", "")) for logical in channel.logical):
        return _opened(channel, default)
    return default


def _default(channel: _Channel) -> int:
    """Return the default of the initial function; before GDTF 1.1 that of the channel."""
    functions = channel.functions
    initial = channel.element.get("InitialFunction", "").rpartition(".")[2]
    named = [function for function in functions if initial and function.get("Name") == initial]
    for element in (*named[:1], *functions[:1], channel.element):
        value = channel.value(element, "Default")
        if value is not None:
            return value
    return 0


def _opened(channel: _Channel, default: int) -> int:
    """Return the default if the shutter is open there or nowhere, otherwise the first value that opens it."""
    starts = sorted(
        ((channel.value(function, "DMXFrom") or 0, function) for function in channel.functions),
        key=lambda pair: pair[0],
    )
    full = (1 << 8 * len(channel.offsets)) - 1
    opens: list[int] = []
    for place, (start, function) in enumerate(starts):
        end = starts[place + 1][0] - 1 if place + 1 < len(starts) else full
        low, high = _number(function, "PhysicalFrom", 0.0), _number(function, "PhysicalTo", 1.0)
        if not _SHUTTER.fullmatch(function.get("Attribute", "")) or max(low, high) < 1:
            continue
        if start <= default <= end and (low == high or (default == end if high > low else default == start)):
            return default
        opens.append(end if high >= low else start)
    return opens[0] if opens else default


def dmx_value(text: str, octets: int) -> int | None:
    """Parse a DMX value, ``value/octets``, for a channel of so many octets; None for "None" and empty text.

    A narrower value is repeated up to the channel's width, or padded with zeros if an ``s`` follows; of a
    wider one the finest octets are dropped (DIN SPEC 15800, DMXValue).

    >>> dmx_value("255/1", 2), dmx_value("255/1s", 2), dmx_value("258/2", 1)
    (65535, 65280, 1)
    """
    text = text.strip()
    if text in ("", NONE):
        return None
    found = _VALUE.fullmatch(text)
    if not found or int(found[1]) >= 1 << (8 * int(found[2])):
        raise GdtfError(f"{text[:24]!r} is not a DMX value such as 255/1")
    written = int(found[1]).to_bytes(int(found[2]), "big")
    behind = bytes(octets) if found[3] else written * octets
    return int.from_bytes((written + behind)[:octets], "big")
