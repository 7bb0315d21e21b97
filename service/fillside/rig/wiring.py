"""Heads on wires: each driver's kind, given from outside, checks the keys that are its own.

A kind brings two pydantic models: `options` for its ``[drivers.NAME]`` table without ``kind``, and `drive`
for a head's ``drive`` without ``driver``. Nothing here knows a wire or a protocol.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal, Protocol, runtime_checkable

from pydantic import BaseModel, ConfigDict, ValidationError

from fillside.rig.problems import Path, Problem, did_you_mean
from fillside.rig.terms import Name
from fillside.rig.wording import problems_from


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


class Lag(Protocol):
    """How a lamp lags behind its wire, in seconds, and the fade it can follow, in stops per second."""

    @property
    def lead_s(self) -> float: ...
    @property
    def latency_s(self) -> float: ...
    @property
    def fastest_stops_s(self) -> float: ...


@runtime_checkable
class Lagging(Protocol):
    """A checked drive that tells how its lamp lags; others are as quick as their wire."""

    @property
    def timing(self) -> Lag: ...


@runtime_checkable
class Tunable(Protocol):
    """A checked drive that tells how the lamp's white is set: by a second channel, by telling it, or not."""

    @property
    def whites(self) -> Literal["channels", "told"] | None: ...


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


def wire_up(
    drivers: Mapping[str, DriverTable], drives: Mapping[str, tuple[int, BaseModel]], kinds: Kinds
) -> tuple[Wiring, list[Problem]]:
    """What the kinds say to the drivers' options and to the heads' drives.

    `drives` has by head's name the head's place in the file and its ``drive``, whose driver exists. Returns
    the wiring as far as it goes, and what is wrong with it.
    """
    problems: list[Problem] = []
    options: dict[str, BaseModel] = {}
    for name, table in drivers.items():
        if table.kind not in kinds:
            hint = did_you_mean(table.kind, kinds, "kinds")
            problems.append(Problem(("drivers", name, "kind"), f'there is no kind "{table.kind}"; {hint}'))
            continue
        written = table.model_dump(exclude_unset=True, exclude={"kind"})
        read, wrong = _read(kinds[table.kind].options, written, ("drivers", name))
        options |= {} if read is None else {name: read}
        problems += wrong
    checked: dict[str, BaseModel] = {}
    for head, (place, drive) in drives.items():
        written = drive.model_dump(exclude_unset=True)
        kind = kinds.get(drivers[written.pop("driver")].kind)
        if kind is not None:
            read, wrong = _read(kind.drive, written, ("heads", place, "drive"))
            checked |= {} if read is None else {head: read}
            problems += wrong
    problems += _overlaps(drives, checked)
    scales = {head: drive.full_scale for head, drive in checked.items() if isinstance(drive, Wired)}
    return Wiring(kinds, options, checked, scales), problems


def _read(
    model: type[BaseModel], written: dict[str, Any], path: Path
) -> tuple[BaseModel | None, list[Problem]]:
    try:
        return model.model_validate(written), []
    except ValidationError as error:
        return None, problems_from(error, model, written, path)


def _overlaps(
    drives: Mapping[str, tuple[int, BaseModel]], checked: Mapping[str, BaseModel]
) -> Iterator[Problem]:
    """Heads on places of their wire that an earlier head of the same driver has."""
    taken: dict[Hashable, str] = {}
    for head, drive in checked.items():
        place, written = drives[head]
        driver = getattr(written, "driver", "")
        claims = drive.claims() if isinstance(drive, Wired) else ()
        others = [taken[driver, claim] for claim in claims if (driver, claim) in taken]
        if others:
            written_there = checked[others[0]].model_dump(exclude_unset=True)
            has = ", ".join(f"{key} = {_in_short(value)}" for key, value in written_there.items())
            yield Problem(
                ("heads", place, "drive"),
                f"overlaps with head {others[0]} on {driver} ({has}); give it a place of its own",
            )
        taken |= {(driver, claim): head for claim in claims if (driver, claim) not in taken}


def _in_short(value: Any) -> Any:
    """A value as it stands in the file: a table by its keys, one that was read from a file by the file."""
    if isinstance(value, Mapping):
        return value.get("file") or f"{{ {', '.join(value)} }}"
    return value
