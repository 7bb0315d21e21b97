"""One head of the rig file: its dimming, drift correction and drive, and its intensity."""

from __future__ import annotations

import math
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from fillside.rig.fields import DriverKeysTable, Flag, InconsistencyError, Name, Number, Point, Table
from fillside.rig.tables.lamp import IntensityTable, Lamp, ModifierTable

BALANCED_ROLES = ("key", "fill")
RELATIVE_ROLES = ("hair", "background")
WORK_ROLE = "work"


Fraction = Annotated[Number, Field(ge=0, le=1)]


LEAST_STEP = 1e-6
"""Smallest step between the levels of a table; sixteen bits have steps of 1.5e-5."""
LEAST_OUTPUT = 1e-9
"""Smallest output of a table other than 0, thirty stops below full."""


class CurveTable(Table):
    """Measured pairs of level and output; (0, 0) is added if absent, and the last output is 1."""

    levels: Annotated[tuple[Fraction, ...], Field(min_length=1, max_length=1024)] = Field(
        description="levels from 0 to 1, each above the one before"
    )
    outputs: Annotated[tuple[Fraction, ...], Field(min_length=1, max_length=1024)] = Field(
        description="the output at each level, from 0 to 1, never falling, the last one 1"
    )

    @model_validator(mode="after")
    def _monotone(self) -> Self:
        if len(self.levels) != len(self.outputs):
            raise InconsistencyError("outputs", "levels and outputs must be equally many")
        levels = self.levels[1:] if self.levels[0] == 0 else self.levels
        if any(b - a < LEAST_STEP for a, b in zip((0.0, *levels), levels, strict=False)):
            raise InconsistencyError(
                "levels", f"levels must rise, each by at least {LEAST_STEP:g} above the one before"
            )
        if any(0 < output < LEAST_OUTPUT for output in self.outputs):
            raise InconsistencyError("outputs", f"an output is 0 or at least {LEAST_OUTPUT:g}")
        if any(b < a for a, b in zip(self.outputs, self.outputs[1:], strict=False)):
            raise InconsistencyError("outputs", "outputs must never fall")
        if self.outputs[-1] != 1:
            raise InconsistencyError("outputs", "the last output must be 1, the lamp's full light")
        if self.levels[-1] == 0:
            raise InconsistencyError("levels", "the last level must be above 0")
        return self


CurveName = Literal["linear", "square", "log", "lightness", "fixed"]


class Dimming(Table):
    curve: CurveName | CurveTable = Field(
        default="linear",
        description='a curve\'s name such as "square", or { levels = [...], outputs = [...] }',
    )
    floor: Annotated[Number, Field(ge=0, lt=1)] = Field(
        default=0.0, description="smallest output at which the lamp burns steadily, such as 0.03"
    )
    measured: Flag = Field(default=False, description="true if the curve was measured, not just stated")

    @property
    def fixed(self) -> bool:
        return self.curve == "fixed"


MOST_CORRECTION_STOPS = 1.0


class CorrectDrift(Table):
    """Correction of a head's known drift: at the pace of the hold for what a hand's meter told."""

    most: Annotated[Number, Field(ge=0.001, le=MOST_CORRECTION_STOPS)] = Field(
        default=0.5, description="the most a drift is corrected by, in stops"
    )
    per_hour: Annotated[Number, Field(ge=0.001, le=1)] = Field(
        default=0.2, description="the speed of the correction of what a sensor tells, in stops per hour"
    )


class Drive(DriverKeysTable):
    """The head's driver and its place on the wire; the driver's kind validates its own keys."""

    driver: Name = Field(description="a name from the [drivers] tables")
    bits: Literal[8, 16] = Field(default=8, description="8, or 16 for a coarse and a fine slot")

    @property
    def full_scale(self) -> int:
        """The wire code of full level, 2^bits - 1, unless the kind of driver states another."""
        return int(2**self.bits - 1)


class Head(Table):
    name: Name
    role: Name = Field(description="key, fill, hair, background, work, or another with holds_like")
    holds_like: Literal["hair"] | None = Field(
        default=None, description='"hair" for a role of your own, such as rim'
    )
    position: Point = Field(description="the centre of the lit face as [x, y, z] in metres")
    aim: Name | Point | None = Field(
        default=None, description="a mark's name, or a point [x, y, z] in metres"
    )
    intensity: Annotated[Number, Field(ge=0.001, le=10_000_000)] | None = Field(
        default=None, description="candela on the axis at full, such as 1800"
    )
    lamp: Lamp | None = Field(default=None, description="the lamp, as { kind = ..., lumens = ... }")
    modifier: ModifierTable = Field(
        default=ModifierTable(), description="the modifier, as { kind = ..., diameter = ... }"
    )
    bounce: Annotated[Number, Field(ge=0, le=1)] | None = Field(
        default=None,
        description="mean of what the room sends back, as a part of its light at its aim point, such as 0.1",
    )
    dimming: Dimming = Field(default=Dimming(), description="the dimming, as { curve = ..., floor = ... }")
    correct_drift: CorrectDrift | Literal[False] = Field(
        default=CorrectDrift(),
        description="how a known drift is corrected, as { most = 0.5, per_hour = 0.2 }; false: it is not",
    )
    drive: Drive | None = Field(
        default=None, description="the wire, as { driver = ..., universe = ..., slot = ... }"
    )

    @property
    def correction(self) -> CorrectDrift | None:
        """The table for the correction of a known drift; None where it is not corrected."""
        return self.correct_drift or None

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        known = (*BALANCED_ROLES, *RELATIVE_ROLES, WORK_ROLE)
        if self.role not in known and self.holds_like is None:
            raise InconsistencyError(
                "role",
                f'"{self.role}" is not one of {", ".join(known)}; it needs holds_like = "hair"',
            )
        if self.role in known and self.holds_like is not None and self.role != "hair":
            raise InconsistencyError(
                "holds_like", f'role "{self.role}" has its own rule; leave holds_like out'
            )
        if self.intensity is None and not self._light_is_known:
            raise ValueError("give intensity in cd, or lamp.lumens to work it out from")
        if self.role == "background" and not isinstance(self.aim, tuple):
            raise InconsistencyError(
                "aim", "a background head must give the point it lights, as aim = [x, y, z] in metres"
            )
        self._one_table()
        return self._electrics()

    @property
    def _light_is_known(self) -> bool:
        lamp = self.lamp
        of_lamp = lamp is not None and (lamp.lumens is not None or lamp.photometry is not None)
        return of_lamp or self.modifier.photometry is not None

    def _one_table(self) -> None:
        if self.lamp is None or self.lamp.photometry is None:
            return
        if self.modifier.photometry is not None:
            raise InconsistencyError(
                "lamp.photometry", "give photometry of the lamp or of the modifier, not both"
            )
        for key in ("spread", "beam"):
            if getattr(self.modifier, key) is not None:
                raise InconsistencyError(
                    f"modifier.{key}", "lamp.photometry says how the light spreads; leave one of them out"
                )

    def _electrics(self) -> Self:
        if self.dimming.fixed and self.drive is not None:
            raise InconsistencyError(
                "drive", 'a head with dimming.curve = "fixed" cannot be dimmed; leave drive out'
            )
        if self.lamp is not None and not self.lamp.dimmable and not self.dimming.fixed:
            raise InconsistencyError(
                "lamp.dimmable",
                'this lamp must not be dimmed: set dimming.curve = "fixed" and leave drive out',
            )
        if not self.dimming.fixed and self.drive is None:
            raise ValueError(
                'a dimmed head needs drive; one that cannot be dimmed has dimming.curve = "fixed"'
            )
        load, most = self.load_watts, self.modifier.max_watts
        if load is not None and most is not None and load > most:
            raise InconsistencyError(
                "modifier.max_watts",
                f"{load:g} W of lamps are over the {most:g} W the modifier is marked for: it may overheat",
            )
        return self

    @property
    def load_watts(self) -> float | None:
        """The electrical power of all lamps of the head [W]; None if the file does not say."""
        return None if self.lamp is None or self.lamp.watts is None else self.lamp.watts * self.lamp.count

    @property
    def on_battery(self) -> bool:
        """True if the file says that the lamp runs on a battery."""
        return self.lamp is not None and self.lamp.battery is True

    @property
    def table(self) -> IntensityTable | None:
        """The photometric file's table in place of the modifier's spread; None if there is no file."""
        of_lamp = None if self.lamp is None else self.lamp.photometry
        found = of_lamp if self.modifier.photometry is None else self.modifier.photometry
        return found if isinstance(found, IntensityTable) else None

    @property
    def computed_intensity_cd(self) -> float | None:
        """The intensity on the axis [cd] computed from lamp and modifier; None if they do not determine it.

        I0 = lumens x count x efficiency x (spread + 1) / 2 pi. With a photometric file it is the file's
        intensity x count x efficiency, scaled by lamp.lumens over the file's lumens if both are stated.
        """
        lumens = None if self.lamp is None else self.lamp.lumens
        count = 1 if self.lamp is None else self.lamp.count
        table = self.table
        if table is not None:
            share = 1.0 if lumens is None or table.lamp_lumens is None else lumens / table.lamp_lumens
            return table.axis_cd * share * count * self.modifier.transmission
        if lumens is None:
            return None
        flux_lm = lumens * count * self.modifier.transmission
        return flux_lm * (self.modifier.spread_exponent + 1) / (2 * math.pi)

    @property
    def intensity_cd(self) -> float:
        """The intensity on the axis at full [cd]: as stated, otherwise computed from lamp and modifier."""
        value = self.computed_intensity_cd if self.intensity is None else self.intensity
        assert value is not None, "a head without intensity has lumens or a photometric file"
        return value

    @property
    def rule(self) -> str:
        """The balance's rule for this head: key, fill, hair, background or work."""
        return self.holds_like or self.role
