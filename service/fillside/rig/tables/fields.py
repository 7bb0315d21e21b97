"""Field types, limits, the base model and the error shared by all tables of the rig file."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, Strict

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


class Table(BaseModel):
    """Base of all tables of the rig file: unknown keys and NaN are refused; instances are immutable."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class InconsistencyError(ValueError):
    """A key that contradicts others of its table; `key` is its dotted path within the table.

    >>> InconsistencyError("modifier.loss", "give efficiency or loss, not both").key
    'modifier.loss'
    """

    def __init__(self, key: str, message: str) -> None:
        super().__init__(message)
        self.key = key
