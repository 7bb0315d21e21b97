"""Options of a simulated wire, and the drive of a head on it.

A simulated wire takes only its own keys, or stands in for a wire of any other kind: `stand_in` joins the keys
of that kind with the simulation's, while checks, codes and places remain those of that kind.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Hashable
from dataclasses import replace
from typing import Annotated, Any, ClassVar, Self, cast

from pydantic import AfterValidator, BaseModel, Field, Strict, create_model, model_validator

from fillside_drivers.driver import DriveModel, ModelForm, OptionsModel, Timing
from fillside_drivers.slots import SlotKeys

Number = Annotated[float, Strict()]
Vector = tuple[Number, Number, Number]
SHORTEST = 0.001
"""Shortest length of a direction; a shorter one is lost in rounding."""


def _with_a_length(vector: Vector) -> Vector:
    if math.hypot(*vector) < SHORTEST:
        raise ValueError(f"a direction must be at least {SHORTEST:g} long, such as [-1.0, 0.0, 0.0]")
    return vector


Component = Annotated[Number, Field(ge=-1000, le=1000)]
Direction = Annotated[tuple[Component, Component, Component], AfterValidator(_with_a_length)]


LEAST_SPAN = 0.001


class HeadTruth(OptionsModel):
    """The differences of a simulated lamp from the rig file; keys left out match the file.

    Attributes:
        output_factor: its light relative to the stated intensity.
        exponent: power of its curve, applied to (level - dead_zone) / (saturation - dead_zone).
        dead_zone: level up to which it stays dark.
        saturation: level from which it is at full.
        setback: distance of the effective source behind the lit face [m].
        diameter: diameter of the effective source [m].
        bounce: mean of what the room sends back, as a part of its light at its aim point.
        warm_factor: its light when warm relative to its light when cold.
        warm_up_s: time constant of warming and cooling [s].
    """

    output_factor: Annotated[Number, Field(ge=0, le=10)] = 1.0
    exponent: Annotated[Number, Field(ge=0.01, le=10)] | None = None
    dead_zone: Annotated[Number, Field(ge=0, lt=1)] = 0.0
    saturation: Annotated[Number, Field(ge=0.001, le=1)] = 1.0
    setback: Annotated[Number, Field(ge=-1, le=2)] = 0.0
    diameter: Annotated[Number, Field(ge=0, le=5)] | None = None
    bounce: Annotated[Number, Field(ge=0, le=1)] | None = None
    warm_factor: Annotated[Number, Field(ge=0.01, le=2)] = 1.0
    warm_up_s: Annotated[Number, Field(ge=0.1, le=36_000)] = 300.0

    @model_validator(mode="after")
    def _lights(self) -> Self:
        if self.saturation - self.dead_zone < LEAST_SPAN:
            raise ValueError(f"saturation must be above dead_zone, by at least {LEAST_SPAN:g}")
        return self


class SimOptions(OptionsModel):
    """``[drivers.NAME]`` with ``kind = "sim"``.

    Attributes:
        seed: seed of the meter's noise.
        noise_stops: standard deviation of one reading [stops].
        ambient_lux: even light from all sides with all heads out, as a flat receptor shows it [lx].
        window_lux: daylight on a receptor facing the window [lx].
        window_from: direction to the window from the subject (x right, y away from the camera, z up).
    """

    seed: Annotated[int, Field(ge=0, le=2**63 - 1), Strict()] = 0
    noise_stops: Annotated[Number, Field(ge=0, le=2)] = 0.0
    ambient_lux: Annotated[Number, Field(ge=0, le=200_000)] | None = None
    window_lux: Annotated[Number, Field(ge=0, le=200_000)] = 0.0
    window_from: Direction = (-1.0, 0.0, 0.0)


class SimDrive(SlotKeys):
    """A head on a simulated wire that does not stand in for another kind.

    `universe` and the slots have no effect here, but are accepted and checked for overlaps.
    """

    universe: Annotated[int, Field(ge=1, le=63999), Strict()] | None = None
    truth: HeadTruth = HeadTruth()

    def claims(self) -> tuple[Hashable, ...]:
        return tuple((self.universe, slot) for slot in super().claims())


class _StandInOptions(OptionsModel):
    """Options of another kind, and those of the simulation that do not collide with its keys."""

    wire: ClassVar[type[OptionsModel]]
    added: ClassVar[frozenset[str]]

    def __reduce__(self) -> tuple[Any, ...]:
        return _revived, (_options_for, self.wire), self.__getstate__()


class _StandInDrive(DriveModel):
    """A drive of another kind, with a simulated lamp behind it."""

    wire: ClassVar[type[DriveModel]]

    def __reduce__(self) -> tuple[Any, ...]:
        return _revived, (_drive_for, self.wire), self.__getstate__()

    @property
    def timing(self) -> Timing:
        """The timing of the real lamp without its delay, as the simulated lamp responds at once."""
        return replace(super().timing, lead_s=0.0, latency_s=0.0)


def stand_in(form: ModelForm) -> ModelForm:
    """Return the form of a simulated wire written like a wire of another kind, whose keys take precedence."""
    return ModelForm(_options_for(form.options), _drive_for(form.drive))


@functools.cache
def _options_for(wire: type[OptionsModel]) -> type[OptionsModel]:
    own = {name: field for name, field in SimOptions.model_fields.items() if not _has(wire, name)}
    made = _joined((_StandInOptions, wire), {name: (field.annotation, field) for name, field in own.items()})
    made.wire, made.added = wire, frozenset(own)
    return cast(type[OptionsModel], made)


@functools.cache
def _drive_for(wire: type[DriveModel]) -> type[DriveModel]:
    truth = {} if _has(wire, "truth") else {"truth": (HeadTruth, HeadTruth())}
    made = _joined((_StandInDrive, wire), truth)
    made.wire = wire
    return cast(type[DriveModel], made)


def _joined(bases: tuple[type[BaseModel], type[BaseModel]], fields: dict[str, Any]) -> Any:
    return create_model(f"Sim{bases[1].__name__}", __base__=bases, **fields)


def _revived(made_for: Callable[[type[BaseModel]], type[BaseModel]], wire: type[BaseModel]) -> BaseModel:
    """Create an empty model of a class without an importable name, for unpickling."""
    made = made_for(wire)
    return made.__new__(made)


def _has(model: type[OptionsModel | DriveModel], name: str) -> bool:
    return name in model.model_fields


def room_of(options: object) -> SimOptions | None:
    """Return the simulated room's options of a simulated wire; None for other wires."""
    if isinstance(options, _StandInOptions):
        return SimOptions.model_construct(**{name: getattr(options, name) for name in options.added})
    return options if isinstance(options, SimOptions) else None


def truth_of_drive(drive: object) -> HeadTruth:
    """Return the truth of the lamp behind a simulated drive; for other drives that of the rig file."""
    truth = getattr(drive, "truth", None)
    return truth if isinstance(truth, HeadTruth) else HeadTruth()
