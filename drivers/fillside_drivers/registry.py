"""The registry of driver kinds, and the construction of a driver from a rig file's tables.

Built-in kinds name the module of their code, which is imported only when a driver is built: a rig without a
serial port needs no serial package. Other distributions add kinds as entry points of the group
``fillside.drivers``, each naming a `DriverKind`.
"""

from __future__ import annotations

import difflib
import functools
import importlib
import importlib.metadata
import logging
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from fillside_drivers.dmx_serial.options import DmxSerialDrive, DmxSerialOptions
from fillside_drivers.driver import (
    Channel,
    Clock,
    DriveModel,
    Driver,
    Identity,
    ModelForm,
    NotAvailableError,
    OptionsError,
    OptionsModel,
    Setup,
    channel_names,
)
from fillside_drivers.mqtt.options import MqttDrive, MqttOptions
from fillside_drivers.plain_errors import package_missing
from fillside_drivers.sacn.options import SacnDrive, SacnOptions
from fillside_drivers.sim.options import SimDrive, SimOptions, stand_in
from fillside_drivers.system import SYSTEM, System

log = logging.getLogger(__name__)

GROUP = "fillside.drivers"


@dataclass(frozen=True)
class DriverKind:
    """A kind of driver: its models, and the place of its code.

    Attributes:
        name: the word after ``kind =``.
        options: model of the ``[drivers.NAME]`` table.
        drive: model of a head's ``drive``.
        where: the driver's class as ``module:Class``, imported on demand.
        package: the package to install if that import fails.
        others: further forms in which the kind may be written.
    """

    name: str
    options: type[OptionsModel]
    drive: type[DriveModel]
    where: str
    package: str = ""
    others: tuple[ModelForm, ...] = ()

    @property
    def forms(self) -> tuple[ModelForm, ...]:
        """All forms in which the kind may be written; a table and its heads' drives share one form."""
        return (ModelForm(self.options, self.drive), *self.others)

    def __reduce__(self) -> str | tuple[Any, ...]:
        """Pickle a registered kind by name, as its models may have no importable name."""
        if kinds().get(self.name) is self:
            return kind_named, (self.name,)
        return super().__reduce__()

    def load(self) -> type[Driver]:
        """Import the driver's class.

        Raises:
            NotAvailableError: a package that it needs is not installed, or the class is not a driver.
        """
        module, _, name = self.where.partition(":")
        try:
            found = getattr(importlib.import_module(module), name)
        except ImportError as error:
            missing = self.package or error.name or str(error)
            # A module's name alone does not tell which package contains it.
            what = package_missing(missing) if self.package else f"the module {missing} is not installed"
            raise NotAvailableError(
                f"a driver of kind {self.name!r} cannot start: {what}", package=missing
            ) from error
        if not (isinstance(found, type) and issubclass(found, Driver)):
            raise NotAvailableError(f"{self.where} is not a driver", package=self.package)
        return found


_BUILT_IN = (
    DriverKind("mqtt", MqttOptions, MqttDrive, "fillside_drivers.mqtt.driver:MqttDriver", package="aiomqtt"),
    DriverKind("sim", SimOptions, SimDrive, "fillside_drivers.sim.driver:SimDriver"),
    DriverKind("sacn", SacnOptions, SacnDrive, "fillside_drivers.sacn.sender:SacnDriver"),
    DriverKind(
        "dmx-serial",
        DmxSerialOptions,
        DmxSerialDrive,
        "fillside_drivers.dmx_serial.driver:DmxSerialDriver",
        package="pyserial",
    ),
)


@functools.cache
def kinds() -> Mapping[str, DriverKind]:
    """Return all kinds by name; entry points that fail or would replace a kind are skipped and logged."""
    found = {kind.name: kind for kind in _BUILT_IN}
    for point in importlib.metadata.entry_points(group=GROUP):
        try:
            kind = point.load()
        except (ImportError, AttributeError) as error:
            log.warning("driver kind %s cannot be loaded from %s: %s", point.name, point.value, error)
            continue
        if not isinstance(kind, DriverKind) or kind.name in found:
            log.warning("entry point %s = %s adds no new driver kind", point.name, point.value)
            continue
        found[kind.name] = kind
    found["sim"] = _standing_in(found.pop("sim"), found.values())
    return found


def _standing_in(sim: DriverKind, others: Iterable[DriverKind]) -> DriverKind:
    """Extend the simulated kind with forms that stand in for each of the others."""
    return replace(sim, others=tuple(stand_in(form) for kind in others for form in kind.forms))


def kind_named(name: str, *, driver: str = "") -> DriverKind:
    """Return the kind of that name.

    Raises:
        NotAvailableError: there is no such kind; the message lists all kinds.
    """
    try:
        return kinds()[name]
    except KeyError:
        raise NotAvailableError(
            f"there is no driver kind {name!r}; there is {', '.join(sorted(kinds()))}",
            driver=driver,
            where="kind",
        ) from None


def build(
    name: str,
    kind: str,
    options: Mapping[str, Any] | OptionsModel,
    drives: Mapping[str, Mapping[str, Any] | DriveModel],
    *,
    clock: Clock,
    identity: Identity,
    ccts_k: Mapping[str, float] | None = None,
    system: System = SYSTEM,
) -> Driver:
    """Build a driver, which is not open yet.

    Parameters:
        name: its name in the rig file.
        kind: one of `kinds()`.
        options: its table without `kind`, or that table parsed by the kind's model.
        drives: each head's drive table without `driver`, or that table parsed by the kind's model.
        clock: monotonic time [s].
        identity: our identity to other machines.
        ccts_k: target white by head, for lamps that take it by message [K].
        system: the machine; its clock is not used here.

    Raises:
        OptionsError: the kind does not take an option or drive, or two heads occupy one place.
        NotAvailableError: there is no such kind, or a package it needs is missing.

    >>> import uuid
    >>> who = Identity(uuid.UUID("c5bf7d9b-4a1e-4d4a-9d0e-2f6f5d1f6a10"))
    >>> stage = build("stage", "sim", {}, {"key": {"bits": 16}}, clock=lambda: 0.0, identity=who)
    >>> stage.channels["key"].drive.full_scale
    65535
    """
    found = kind_named(kind, driver=name)
    read, own = _read_in_a_form(found, options, drives, name)
    whites = ccts_k or {}
    channels = tuple(
        channel for head, drive in own.items() for channel in _channels(head, drive, whites.get(head))
    )
    _no_overlap(channels, name)
    return _class_of(found, name)(Setup(name, read, channels, clock, identity, system))


Given = Mapping[str, Any] | BaseModel


def _read_in_a_form(
    kind: DriverKind, options: Given, drives: Mapping[str, Given], name: str
) -> tuple[OptionsModel, dict[str, DriveModel]]:
    """Parse options and drives in the first form that accepts them, or raise the first form's refusal."""
    refused: list[OptionsError] = []
    for form in kind.forms:
        try:
            own = {
                head: _read(form.drive, drive, name, f"heads.{head}.drive") for head, drive in drives.items()
            }
            return _read(form.options, options, name, f"drivers.{name}"), own
        except OptionsError as error:
            refused.append(error)
    raise refused[0]


def _class_of(kind: DriverKind, driver: str) -> type[Driver]:
    try:
        return kind.load()
    except NotAvailableError as error:
        error.driver = driver
        raise


def _channels(head: str, drive: DriveModel, cct_k: float | None) -> Iterator[Channel]:
    parts = drive.split()
    for name, part in zip(channel_names(head, len(parts)), parts, strict=True):
        yield Channel(name, part, cct_k)


Model = TypeVar("Model", bound=BaseModel)


def _read(model: type[Model], given: Given, driver: str, where: str) -> Model:
    if isinstance(given, BaseModel):
        if not isinstance(given, model):
            raise OptionsError(f"{where}: expected {model.__name__}", driver=driver, where=where)
        return given
    try:
        return model.model_validate(given)
    except ValidationError as error:
        first = error.errors()[0]
        path = ".".join((where, *map(str, first["loc"])))
        text = first["msg"].removeprefix("Value error, ")
        if first["type"] == "extra_forbidden":
            text = "there is no such option" + _hint(str(first["loc"][-1]), tuple(model.model_fields))
        raise OptionsError(f"{path}: {text}", driver=driver, where=path) from error


def _hint(name: str, known: tuple[str, ...]) -> str:
    near = difflib.get_close_matches(name, known, n=1)
    return f"; did you mean {near[0]}?" if near else f"; there is {', '.join(known)}"


def _no_overlap(channels: tuple[Channel, ...], driver: str) -> None:
    taken: dict[object, str] = {}
    for channel in channels:
        for claim in channel.drive.claims():
            other = taken.setdefault(claim, channel.name)
            if other != channel.name:
                raise OptionsError(
                    f"heads {other} and {channel.name} are on the same place {claim} of driver {driver}",
                    driver=driver,
                    where=channel.name,
                )
