"""The search for the target ratio on the way through the plane, without jumps of the answer.

The mix that meets a ratio jumps where the mix hardly changes the ratio: where daylight drowns one side, or a
lamp nears the edge of a cheek. A stop of mix is therefore taken to change the ratio by at least `LEAST_SLOPE`
stops, counted from the natural mix, at which the lamps alone, each metered by itself, are in the target
ratio. If the slope is higher all the way from there, the ratio is met exactly.

The face has a second such place: if key and fill come from one bearing, no mix changes its ratio, and beyond
that place the fill lights the key's side more than the key does. The more key and fill differ between the
cheeks (the grip), the farther the mix may go from the natural one, in either direction.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fillside.balance.rows import EXPOSURE, LIT, SHADOW, compared_sides
from fillside.balance.solver.plane import KEPT, LEAST_LUX, Plane, Way, between
from fillside.balance.solver.weight import DROPS_OUT, Weights, grip_stops
from fillside.balance.target import BalanceTarget

FloatArray = npt.NDArray[np.float64]

LEAST_SLOPE = 1 / 6
"""Least change of ratio [stops] that a stop of mix is taken to cause."""
STOPS_BY_GRIP = 4.0
"""Stops of mix allowed away from the natural one, per stop of grip on the face."""
LOOSE_GRIP_STOPS = 1.0
"""With less grip than this the protection of the brighter side fades out."""
STOPS_BY_WEIGHT = 2.0
"""Stops of mix allowed away from the natural one, per stop of a role's weight over that at which it drops
out."""


class RatioSearch:
    """Positions of ratios on the way through one plane; `rest` is the light of all but key and fill,
    `ambient` of the room (rows,) [lux]."""

    def __init__(
        self,
        plane: Plane,
        target: BalanceTarget,
        weights: Weights,
        rest: FloatArray,
        ambient: FloatArray,
    ) -> None:
        self._target, self._weights = target, weights
        lit, shadow = float(weights.key_full[LIT]), float(weights.fill_full[SHADOW])
        natural = max(self._target.quotient * shadow, LEAST_LUX) / max(lit, LEAST_LUX)
        self.way: Way = plane.way(natural)
        bright, dark = compared_sides(target.read_as)
        self._bright, self._dark = self.way.lux[bright], self.way.lux[dark]
        lit_lux, shadow_lux = self.way.lux[LIT], self.way.lux[SHADOW]
        no_ambient = ambient[LIT] == 0 and ambient[SHADOW] == 0
        if not no_ambient:
            lit_lux, shadow_lux = lit_lux - ambient[LIT], shadow_lux - ambient[SHADOW]
        middle = float(self.way.point(natural))
        self._most_mix = plane.most_mix
        self._of_lamps = self._position_of(lit_lux, shadow_lux, target.quotient, 1.0, middle)
        plain = no_ambient and target.read_as != "face" and weights.both >= 1
        self._plain = self._of_lamps if plain else None
        self._turn, self._grip, self._room_stops = 1.0, math.inf, math.inf
        if self._plain is not None:
            return
        self._natural = self.way.mix_stops_at(self._middle)
        if target.read_as == "face":
            grip = grip_stops(weights, rest, target, self._natural)
            self._turn, self._grip = math.copysign(1.0, grip), abs(grip)
        self._grip_room = self._room_stops = STOPS_BY_GRIP * self._grip
        weight = weights.lamps if target.read_as == "face" else weights.both
        if weight < 1:
            by_weight = STOPS_BY_WEIGHT * math.log2(max(weight, DROPS_OUT) / DROPS_OUT)
            self._room_stops = min(self._room_stops, by_weight)

    @cached_property
    def _middle(self) -> float:
        """The position from which stops are counted: the natural one, or the nearest with the exposure."""
        exposure = self.way.lux[EXPOSURE]
        most = min(self._target.exposure_lux, float(exposure[self.way.point(self._most_mix)]))
        met = (exposure >= most * (1 - KEPT)).nonzero()[0]
        return min(max(self._of_lamps, float(met[0])), float(met[-1]))

    def wanted(self) -> float:
        """Return the position with the target ratio, or the one nearest to it."""
        if self._plain is not None:
            return self._plain
        return self._near_natural(
            self._position_of(self._bright, self._dark, self._target.quotient, self._turn, self._middle)
        )

    def right_way_round(self, exposed: tuple[float, float]) -> tuple[float, float]:
        """Return the positions at which the side that the target has darker is not the brighter one.

        For a weak role of weight w the test is eased by (1 - w)^2 of the light at the end of the stretch
        where the exposure is met.
        """
        spare, bright_wanted = (1 - self._weights.both) ** 2, self._target.quotient > 1
        more_key = bright_wanted == (self._turn > 0)
        bright, dark = self._bright, self._dark
        if spare > 0:
            given = spare * between(dark if bright_wanted else bright, exposed[0 if more_key else 1])
            bright, dark = (bright + given, dark) if bright_wanted else (bright, dark + given)
        at, end = self._position_of(bright, dark, 1.0, self._turn, self._middle), len(self.way.mix) - 1.0
        if math.isinf(self._grip):
            return (at, end) if more_key else (0.0, at)
        loose = STOPS_BY_GRIP * max(0.0, LOOSE_GRIP_STOPS - self._grip)
        stops = self.way.mix_stops_at(at)
        if more_key:
            return self.way.position_of(min(stops, self._natural + self._grip_room) - loose), end
        return 0.0, self.way.position_of(max(stops, self._natural - self._grip_room) + loose)

    def _near_natural(self, position: float) -> float:
        """Return the position, moved toward the natural mix as far as necessary."""
        if math.isinf(self._room_stops):
            return position
        away = self.way.mix_stops_at(position) - self._natural
        if abs(away) <= self._room_stops:
            return position
        return self.way.position_of(self._natural + math.copysign(self._room_stops, away))

    def _position_of(
        self, bright: FloatArray, dark: FloatArray, quotient: float, turn: float, middle: float
    ) -> float:
        return self.way.where(bright, dark, turn, math.log2(quotient), middle, LEAST_SLOPE)
