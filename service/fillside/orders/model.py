"""The two types of orders: to the hold, and to the meter's side."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, TypeVar, get_args

from pydantic import BaseModel, ConfigDict


class _OrderModel(BaseModel):
    """An order; `do` is the word that tells it from all others."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    alternatives: ClassVar[tuple[str, str] | None] = None
    """Two fields of which exactly one is given. The model checks it, which its schema does not show."""

    do: str

    def as_json(self) -> dict[str, Any]:
        """Return the order in the shape that every door takes, without what was left out."""
        return self.model_dump(mode="json", exclude_unset=True)


class LightOrder(_OrderModel):
    """An order to the hold."""


class MeterOrder(_OrderModel):
    """An order to the meter's side."""


Order = LightOrder | MeterOrder
Base = TypeVar("Base", LightOrder, MeterOrder)


def models_of(base: type[Base]) -> Mapping[str, type[Base]]:
    """Return the orders of one of the two kinds by their words."""
    found: dict[str, type[Base]] = {}
    for model in base.__subclasses__():
        found |= dict.fromkeys(get_args(model.model_fields["do"].annotation), model)
        found |= models_of(model)
    return found
