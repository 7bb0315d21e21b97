"""Heads on wires: each driver's kind, given from outside, checks the keys that are its own.

A kind brings two pydantic models: `options` for its ``[drivers.NAME]`` table without ``kind``, and `drive`
for a head's ``drive`` without ``driver``. Nothing here knows a wire or a protocol.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Protocol, runtime_checkable

from pydantic import BaseModel, ConfigDict

from fillside.rig.terms import Name


class DriverTable(BaseModel):
    """One wire; the options are checked by the driver's kind."""

    model_config = ConfigDict(extra="allow", frozen=True, allow_inf_nan=False)

    kind: Name


class DriverKind(Protocol):
    """What a kind of driver tells about the keys it takes."""

    @property
    def options(self) -> type[BaseModel]: ...
    @property
    def drive(self) -> type[BaseModel]: ...


@runtime_checkable
class Wired(Protocol):
    """What a checked drive tells: the wire code of full level, and the places it takes on the wire."""

    @property
    def full_scale(self) -> int: ...
    def claims(self) -> tuple[Hashable, ...]: ...


Kinds = Mapping[str, DriverKind]


@dataclass(frozen=True)
class Wiring:
    """What the kinds made of a rig's drivers and drives.

    `options` by driver name, `drives` by head name, `full_scales` by head name; `kinds` are those that were
    asked, so that a changed rig can be asked again, None as long as none were.
    """

    kinds: Kinds | None = None
    options: Mapping[str, BaseModel] = field(default_factory=lambda: MappingProxyType({}))
    drives: Mapping[str, BaseModel] = field(default_factory=lambda: MappingProxyType({}))
    full_scales: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
