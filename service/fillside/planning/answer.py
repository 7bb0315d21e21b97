"""What every planning answer is: a frozen model with units in its names."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class PlanningAnswer(BaseModel):
    """Fields carry their units; a value that does not exist is None, never NaN or infinity."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False, extra="forbid")
