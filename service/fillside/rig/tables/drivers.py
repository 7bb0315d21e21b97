"""The `[drivers]` tables and the heads' drives, parsed by the kinds of driver, which come from outside.

A kind offers one or more forms, each of two pydantic models: `options` for its ``[drivers.NAME]`` table
without ``kind``, and `drive` for a head's ``drive`` without ``driver``. A table and the drives of its heads
share one form. Nothing here knows a wire or a protocol.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal, Protocol, runtime_checkable

from pydantic import BaseModel, ValidationError

from fillside.rig.fields import DriverKeysTable, Name
from fillside.rig.problems import Path, Problem, did_you_mean, nearest
from fillside.rig.validation import problems_from


class DriverTable(DriverKeysTable):
    """One wire; its kind validates the keys beside `kind`."""

    kind: Name


class DriveForm(Protocol):
    """The models of one form in which a kind of driver may be written."""

    @property
    def options(self) -> type[BaseModel]: ...
    @property
    def drive(self) -> type[BaseModel]: ...


class DriverKindModels(Protocol):
    """The forms that a kind of driver offers."""

    @property
    def forms(self) -> Sequence[DriveForm]: ...


@runtime_checkable
class WireDrive(Protocol):
    """A drive with the wire code of full level and the places it occupies on the wire."""

    @property
    def full_scale(self) -> int: ...
    def claims(self) -> tuple[Hashable, ...]: ...


class LampTiming(Protocol):
    """A lamp's delay behind its wire [s] and the fastest fade it can follow [stops/s]."""

    @property
    def lead_s(self) -> float: ...
    @property
    def latency_s(self) -> float: ...
    @property
    def fastest_stops_s(self) -> float: ...


@runtime_checkable
class TimedDrive(Protocol):
    """A drive that states its lamp's timing; without one a lamp is as quick as its wire."""

    @property
    def timing(self) -> LampTiming: ...


@runtime_checkable
class TunableDrive(Protocol):
    """A drive that states how the lamp's white is set: by a second channel, by a message, or not at all."""

    @property
    def whites(self) -> Literal["channels", "told"] | None: ...


DriverKinds = Mapping[str, DriverKindModels]
HeadDrives = Mapping[str, tuple[int, BaseModel]]
"""Each head's index in the file and its ``drive``, by the head's name."""


@dataclass(frozen=True)
class DriverConfig:
    """A rig's driver options and drives as parsed by the kinds of driver.

    Attributes:
        kinds: the kinds that parsed them, kept to parse a changed rig; None before parsing.
        options: by driver name.
        drives: by head name.
        full_scales: the wire code of full level by head name.
    """

    kinds: DriverKinds | None = None
    options: Mapping[str, BaseModel] = field(default_factory=lambda: MappingProxyType({}))
    drives: Mapping[str, BaseModel] = field(default_factory=lambda: MappingProxyType({}))
    full_scales: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))


def parse_drivers(
    drivers: Mapping[str, DriverTable], drives: HeadDrives, kinds: DriverKinds
) -> tuple[DriverConfig, list[Problem]]:
    """Parse drivers' options and heads' drives by the kinds of driver.

    Parameters:
        drivers: the ``[drivers.NAME]`` tables by name.
        drives: the heads' drives; every driver they name exists.
        kinds: the kinds of driver by name.

    Returns:
        Whatever could be parsed, and all problems found.
    """
    problems: list[Problem] = []
    options: dict[str, BaseModel] = {}
    checked: dict[str, BaseModel] = {}
    on: dict[str, dict[str, tuple[int, BaseModel]]] = {}
    for head, held in drives.items():
        on.setdefault(getattr(held[1], "driver", ""), {})[head] = held
    for name, table in drivers.items():
        if table.kind not in kinds:
            hint = did_you_mean(table.kind, kinds, "kinds")
            problems.append(Problem(("drivers", name, "kind"), f'there is no kind "{table.kind}"; {hint}'))
            continue
        read = _in_best_form(kinds[table.kind].forms, name, table, on.get(name, {}))
        options |= {} if read.options is None else {name: read.options}
        checked |= read.drives
        problems += read.problems
    scales = {head: drive.full_scale for head, drive in checked.items() if isinstance(drive, WireDrive)}
    return DriverConfig(kinds, options, checked, scales), problems


@dataclass(frozen=True)
class _Reading:
    """A driver's table and its heads' drives as parsed in one form."""

    options: BaseModel | None
    drives: Mapping[str, BaseModel]
    problems: list[Problem]
    unlike: int
    """Number of keys that resemble none of the form's keys."""


def _in_best_form(forms: Sequence[DriveForm], name: str, table: DriverTable, drives: HeadDrives) -> _Reading:
    """Parse in the first form that has no problems, otherwise in the one most probably meant."""
    readings: list[_Reading] = []
    for form in forms:
        reading = _in_form(form, name, table, drives)
        if not reading.problems:
            return reading
        readings.append(reading)
    return min(readings, key=lambda reading: (len(reading.problems), reading.unlike))


def _in_form(form: DriveForm, name: str, table: DriverTable, drives: HeadDrives) -> _Reading:
    written = table.model_dump(exclude_unset=True, exclude={"kind"})
    options, problems = _read(form.options, written, ("drivers", name))
    unlike = _unlike(form.options, written)
    checked: dict[str, BaseModel] = {}
    for head, (place, drive) in drives.items():
        written = drive.model_dump(exclude_unset=True, exclude={"driver"})
        read, wrong = _read(form.drive, written, ("heads", place, "drive"))
        checked |= {} if read is None else {head: read}
        problems += wrong
        unlike += _unlike(form.drive, written) if wrong else 0
    problems += _overlaps(drives, checked)
    return _Reading(options, checked, problems, unlike)


def _unlike(model: type[BaseModel], written: Mapping[str, Any]) -> int:
    return sum(key not in model.model_fields and not nearest(key, model.model_fields) for key in written)


def _read(
    model: type[BaseModel], written: dict[str, Any], path: Path
) -> tuple[BaseModel | None, list[Problem]]:
    try:
        return model.model_validate(written), []
    except ValidationError as error:
        return None, problems_from(error, model, written, path)


def _overlaps(drives: HeadDrives, checked: Mapping[str, BaseModel]) -> Iterator[Problem]:
    """Yield a problem for each head on a place of the wire that an earlier head of the driver occupies."""
    taken: dict[Hashable, str] = {}
    for head, drive in checked.items():
        place, written = drives[head]
        driver = getattr(written, "driver", "")
        claims = drive.claims() if isinstance(drive, WireDrive) else ()
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
    """Abbreviate a value: a table by its keys, or by the file it was read from."""
    if isinstance(value, Mapping):
        return value.get("file") or f"{{ {', '.join(value)} }}"
    return value
