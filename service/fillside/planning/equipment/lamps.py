"""Luminous flux of a lamp from the label on its box: lumens, or watts and kind, and the number of lamps."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from fillside.planning.figures import PlanningAnswer
from fillside.rig.tables.model import Head


class Efficacy(NamedTuple):
    """Luminous efficacy [lm/W] of a kind of lamp: least, usual and most."""

    least: float
    usual: float
    most: float


EFFICACY_LM_W: dict[str, Efficacy] = {
    "incandescent": Efficacy(5.0, 14.0, 17.5),
    "halogen": Efficacy(16.0, 20.0, 35.0),
    "cfl": Efficacy(46.0, 60.0, 75.0),
    "tube": Efficacy(70.0, 87.0, 104.0),
    "led": Efficacy(55.0, 100.0, 210.0),
    "discharge": Efficacy(65.0, 90.0, 115.0),
}
"""Luminous efficacy of a source by its kind [lm/W].

Least and most are the ranges of the published overview tables of luminous efficacy (such as that of the
encyclopedia article "Luminous efficacy"); the usual value lies within them, common practice, no source.
"""

MOST_EFFICACY_LM_W = 683.0
"""Luminous efficacy of radiation of 540 THz, 555 nm, where the eye is most sensitive [lm/W].

SI fixes it by the definition of the candela (SI brochure, 2.3.1); no lamp of any kind gives more.
"""

INCANDESCENT_WATTS_LM: tuple[tuple[float, float], ...] = (
    (15, 136),
    (25, 249),
    (40, 470),
    (60, 806),
    (75, 1055),
    (100, 1521),
    (150, 2452),
    (200, 3452),
)
"""Watts of an incandescent lamp and the lumens an LED lamp needs to be sold as its equal.

Commission Regulation (EC) No 244/2009, annex II, table 6, column for LED lamps (from memory).
"""

ASSUMES_LUMENS = "lumens as printed on the lamp"
ASSUMES_WATTS = "lumens from watts and kind, within a wide range; one reading with a meter beats this guess"


_ANY_LAMP = Efficacy(0.0, 0.0, MOST_EFFICACY_LM_W)


class LampAnswer(PlanningAnswer):
    """Total luminous flux of a head's lamps, its possible range, and the origin of the figure."""

    lumens: float
    least_lumens: float
    most_lumens: float
    assumes: str


def lamp_lumens(
    kind: str, *, watts: float | None = None, lumens: float | None = None, count: int = 1
) -> LampAnswer:
    """Return the luminous flux of `count` lamps, from the lumens of one, or else from its watts and kind.

    Raises ValueError when neither is known, or for watts of a kind without a usual efficacy.
    """
    if lumens is not None:
        total = lumens * count
        return LampAnswer(lumens=total, least_lumens=total, most_lumens=total, assumes=ASSUMES_LUMENS)
    if watts is None or kind not in EFFICACY_LM_W:
        kinds = ", ".join(EFFICACY_LM_W)
        raise ValueError(f"give lumens, or watts of a lamp that is one of {kinds}")
    efficacy, total_w = EFFICACY_LM_W[kind], watts * count
    return LampAnswer(
        lumens=efficacy.usual * total_w,
        least_lumens=efficacy.least * total_w,
        most_lumens=efficacy.most * total_w,
        assumes=ASSUMES_WATTS,
    )


def incandescent_watts(lumens: float) -> float:
    """Return the power [W] of the incandescent lamp that a lamp of this flux [lm] replaces, 15 to 200 W.

    Interpolates linearly between the rows of Commission Regulation (EC) No 244/2009, annex II, table 6.
    Raises ValueError outside the table.

    >>> round(incandescent_watts(2500))
    152
    """
    watts, light = zip(*INCANDESCENT_WATTS_LM, strict=True)
    if not light[0] <= lumens <= light[-1]:
        raise ValueError(f"the table goes from {light[0]:g} to {light[-1]:g} lm, not {lumens:g}")
    return float(np.interp(lumens, light, watts))


class LampLabel(PlanningAnswer):
    """The label of a head's lamps compared with typical lamps of their kind.

    `efficacy_lm_w` is None without watts. `believable` is true if it lies in the published range of its kind;
    for a kind without one, if any lamp could give it.
    `incandescent_watts` is the incandescent lamp that one of them replaces, None outside 15 to 200 W.
    """

    head: str
    kind: str
    lumens: float
    count: int
    efficacy_lm_w: float | None
    believable: bool
    incandescent_watts: float | None


def lamp_labels(heads: Iterable[Head]) -> tuple[LampLabel, ...]:
    """Return the labels of all heads whose lumens the rig file states."""
    labels = []
    for head in heads:
        lamp = head.lamp
        if lamp is None or lamp.lumens is None:
            continue
        efficacy = None if lamp.watts is None else lamp.lumens / lamp.watts
        usual = EFFICACY_LM_W.get(lamp.kind, _ANY_LAMP)
        within = INCANDESCENT_WATTS_LM[0][1] <= lamp.lumens <= INCANDESCENT_WATTS_LM[-1][1]
        labels.append(
            LampLabel(
                head=head.name,
                kind=lamp.kind,
                lumens=lamp.lumens,
                count=lamp.count,
                efficacy_lm_w=efficacy,
                believable=efficacy is None or usual.least <= efficacy <= usual.most,
                incandescent_watts=incandescent_watts(lamp.lumens) if within else None,
            )
        )
    return tuple(labels)


def watts_ratio_stops(key_watts: float, fill_watts: float) -> float:
    """Return the difference in light [stops] between two lamps of one kind, from their watts.

    Light in proportion to watts is common practice within a kind, no source; modifiers and distances are
    taken as equal. Raises ValueError for watts that are not above 0.

    >>> round(watts_ratio_stops(105, 45), 2)
    1.22
    """
    if key_watts <= 0 or fill_watts <= 0:
        raise ValueError("watts are above 0")
    return math.log2(key_watts / fill_watts)
