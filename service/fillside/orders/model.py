"""The two base classes of orders: for the hold and for metering."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, TypeVar, get_args

from pydantic import BaseModel, ConfigDict


class _OrderModel(BaseModel):
    """An order; `do` is its word."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)

    alternatives: ClassVar[tuple[str, str] | None] = None
    """Two fields of which exactly one must be given. The model checks this, but its
    schema does not show it."""

    do: str

    def as_json(self) -> dict[str, Any]:
        """Return the order in the shape that every door accepts, without unset fields."""
        return self.model_dump(mode="json", exclude_unset=True)


class LightOrder(_OrderModel):
    """An order for the hold."""


class MeterOrder(_OrderModel):
    """An order for metering."""


Order = LightOrder | MeterOrder
Base = TypeVar("Base", LightOrder, MeterOrder)


def models_of(base: type[Base]) -> Mapping[str, type[Base]]:
    """Return the orders of one base class by word."""
    found: dict[str, type[Base]] = {}
    for model in base.__subclasses__():
        found |= dict.fromkeys(get_args(model.model_fields["do"].annotation), model)
        found |= models_of(model)
    return found
