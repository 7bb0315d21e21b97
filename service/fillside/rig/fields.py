"""Field types, limits, the base model and the error shared by all tables of the rig file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    SerializerFunctionWrapHandler,
    Strict,
    model_serializer,
    model_validator,
)

NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")
"""Pattern of rig, role, head, mark and driver names (whole match)."""

FARTHEST_M, LOWEST_M, HIGHEST_M, NEAREST_M = 15.0, 0.0, 4.0, 0.05
"""Limits of a subject's place [m]: distance from the first mark, lowest and highest z, gap to a lit disc."""

Name = Annotated[str, Field(pattern=rf"^{NAME.pattern}$")]
Number = Annotated[float, Strict()]
Whole = Annotated[int, Strict()]
Flag = Annotated[bool, Strict()]
Coordinate = Annotated[Number, Field(ge=-1000, le=1000)]
Point = tuple[Coordinate, Coordinate, Coordinate]
Lux = Annotated[Number, Field(ge=0, le=200_000)]
Stops = Annotated[Number, Field(ge=-12, le=12)]
StopsOrOut = Stops | Literal["out"]


class Table(BaseModel):
    """Base of all tables of the rig file: unknown keys and NaN are refused; instances are immutable."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class DriverKeysTable(BaseModel):
    """Base of tables with further keys that the kind of driver validates."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False, defer_build=True)

    _driver_keys: dict[str, object] = PrivateAttr(default_factory=dict)

    @property
    def driver_keys(self) -> Mapping[str, object]:
        """The further keys with their values, unchecked."""
        return self._driver_keys

    @model_validator(mode="wrap")
    @classmethod
    def _keep_driver_keys(cls, data: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        table = handler(data)
        if isinstance(data, Mapping):
            table._driver_keys.update((k, value) for k, value in data.items() if k not in cls.model_fields)
        return table

    @model_serializer(mode="wrap")
    def _with_driver_keys(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        return {**handler(self), **self._driver_keys}


class InconsistencyError(ValueError):
    """A key that contradicts others of its table; `key` is its dotted path within the table.

    >>> InconsistencyError("modifier.loss", "give efficiency or loss, not both").key
    'modifier.loss'
    """

    def __init__(self, key: str, message: str) -> None:
        super().__init__(message)
        self.key = key
