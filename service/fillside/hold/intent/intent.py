"""The intent: everything that orders can change, as one record.

An intent has layers. The rig file is the lowest; orders for the balance, the exposure and the camera lie on
top of it; trims lie on the balance; the mode says whether the balance acts at all; `only` overrides
everything."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import Field

from fillside.balance.solver.rounding import Codes, Trims
from fillside.balance.target import BalanceTarget, target_from_rig
from fillside.orders.light import MOST_TRIM_STOPS
from fillside.rig.scene.scene import exposure_target_lux
from fillside.rig.tables.model import Balance, Camera, Point, Rig

Mode = Literal["follow", "freeze", "dark"]
TARGET_FIELDS = frozenset({"balance", "exposure_stops", "camera"})
"""The fields of `Intent` that define the balance target."""
SOLVE_FIELDS = TARGET_FIELDS | {"place", "mode", "alone"}
"""The fields of `Intent` whose change asks for a new solution."""
TrimWord = Literal["out"] | Annotated[float, Field(ge=-MOST_TRIM_STOPS, le=MOST_TRIM_STOPS)]
NOTHING: Mapping[str, Any] = MappingProxyType({})


@dataclass(frozen=True)
class KeptLevels:
    """Levels kept while the balance does not act, with the trims they include.

    `untrimmed` are the codes to which a role returns if it was out when the levels were taken; `place` [m] is
    the subject's place at that time.
    """

    codes: Codes
    trims: Trims
    untrimmed: Codes
    place: Point


@dataclass(frozen=True)
class Alone:
    """The heads that are on while all others are out, as index and code; if empty, work lights are on."""

    lit: tuple[tuple[int, int], ...]

    @property
    def head(self) -> int | None:
        """The index of the head if exactly one is on, else None."""
        return self.lit[0][0] if len(self.lit) == 1 else None


MOST_OFFSET_STOPS = 10.0
"""The largest `camera.offset_stops`; a larger offset is expressed in lux."""


@dataclass(frozen=True)
class Intent:
    """The intent; `balance` and `camera` hold only the keys that orders have set, named as in the rig file.

    `exposure_stops` are added to the exposure target; a trim of None puts the role out; `place` [m] is where
    the subject was last put by hand. `leaving` are the indices of heads that a changed rig file no longer has
    and that must go out before it is applied.
    """

    place: Point
    mode: Mode = "follow"
    kept: KeptLevels | None = None
    alone: Alone | None = None
    balance: Mapping[str, Any] = field(default_factory=lambda: NOTHING)
    exposure_stops: float = 0.0
    camera: Mapping[str, Any] = field(default_factory=lambda: NOTHING)
    trims: Trims = field(default_factory=lambda: NOTHING)
    leaving: frozenset[int] = frozenset()

    @property
    def acts(self) -> bool:
        """True while the balance acts on the light."""
        return self.mode == "follow" and self.alone is None

    def rig(self, file: Rig) -> Rig:
        """Return the rig with ordered values replacing those of its file. Raises
        ValueError if they do not fit."""
        ordered: dict[str, Camera | Balance] = {}
        if self.camera:
            ordered["camera"] = Camera.model_validate(merged_camera(file.camera, self.camera))
        if self.balance:
            table = {**file.balance.model_dump(exclude_unset=True), **self.balance}
            for name in ("relative", "against"):
                if name in self.balance:
                    table[name] = {**getattr(file.balance, name), **self.balance[name]}
            ordered["balance"] = Balance.model_validate(table)
        return file.model_copy(update=ordered) if ordered else file

    def target(self, ordered: Rig) -> BalanceTarget:
        """Return the balance target without trims, from the result of `rig`. Raises
        ValueError if the camera leaves the exposure open."""
        target = target_from_rig(ordered)
        return replace(target, exposure_lux=target.exposure_lux * 2.0**self.exposure_stops)

    def effective_rig(self, file: Rig) -> Rig:
        """Return a rig that describes the whole intent except the trims."""
        rig, stops = self.rig(file), self.exposure_stops
        offset = rig.camera.offset_stops + stops
        if rig.balance.exposure == "camera" and abs(offset) <= MOST_OFFSET_STOPS:
            camera = rig.camera.model_copy(update={"offset_stops": offset})
            return rig.model_copy(update={"camera": camera})
        balance = rig.balance.model_copy(update={"exposure": exposure_target_lux(rig) * 2.0**stops})
        return rig.model_copy(update={"balance": balance})

    def changed_from(self, other: Intent) -> dict[str, Any]:
        """Return the fields that differ from another intent, with this one's values."""
        others = vars(other)
        return {name: value for name, value in vars(self).items() if value != others[name]}


def trim_table(trims: Trims) -> dict[str, TrimWord]:
    """Return trims in the form shown and stored: "out" for a role that is out."""
    return {role: "out" if stops is None else stops for role, stops in trims.items()}


def merged_camera(file: Camera, over: Mapping[str, Any]) -> dict[str, Any]:
    """Return the camera table with `over` applied; a shutter time replaces a shutter angle and vice versa."""
    table = file.model_dump(exclude_unset=True)
    if "shutter" in over:
        table.pop("shutter_angle", None)
    if "shutter_angle" in over:
        table.pop("shutter", None)
    return {**table, **over}
