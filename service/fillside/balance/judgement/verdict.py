"""The verdict on the light: target met or not, and the reasons; the same for every door.

Theory. The target is a ratio, an exposure and the stops of the other roles. Each may deviate within its band:
`WITHIN_STOPS`, or the dead band of the pace while the light rests on an earlier place of the subject. A
quantity outside its band has a limit that gives the reason, so if there is no limit and no fade, everything
is within its band. Doors show the `ticks` and have no thresholds of their own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from fillside.balance.judgement.deviations import EXPOSURE, RATIO, errors_of, off_words
from fillside.balance.judgement.reasons import (
    COUNTS_FROM_STOPS,
    FloatArray,
    JudgedLight,
    Reasons,
    at_limits,
    bound,
)
from fillside.balance.report import AchievedReport, LimitKind, LimitReport
from fillside.balance.rows import FACE_FILL, FACE_KEY
from fillside.rig.scene.scene import Scene
from fillside.rig.scene.whites import white_deviation

WITHIN_STOPS = 0.05
"""A quantity this close to its target meets it; once begun, following continues until then."""
OVER_MOST_LUX = 1e-6
"""Share of `most_lux` by which rounding errors may exceed it."""

CURABLE: frozenset[LimitKind] = frozenset(
    {"full", "floor", "most_over", "most_under", "most_lux", "weak", "spill", "steps", "reach"}
)
"""Kinds of limit that a change of lamps, camera or target might remove."""
CHOSEN: frozenset[LimitKind] = frozenset({"freeze", "dark", "only"})
"""Kinds of limit that an order causes: nothing needs repair."""


@dataclass(frozen=True)
class Circumstances:
    """Conditions of the light other than the balance; by default nothing interferes with it.

    `shown` are the heads that are on alone, None without such an order. `unwell` are the limits of heads that
    cannot be reached or do not obey; `leaving` are the indices of heads that the changed rig file no longer
    has. `dead_band_stops` is the dead band of the pace. `fading` is true during a fade, `pending` if a move
    of the subject is about to be considered.
    """

    mode: Literal["follow", "freeze", "dark"] = "follow"
    shown: tuple[str, ...] | None = None
    unwell: tuple[LimitReport, ...] = ()
    leaving: frozenset[int] = frozenset()
    dead_band_stops: float = 0.0
    fading: bool = False
    pending: bool = False

    @property
    def waits(self) -> LimitKind | None:
        """The reason the light is not set for the subject's present place; None during a fade."""
        if self.fading:
            return None
        return "following" if self.pending else "rest"


ACTS = Circumstances()


@dataclass(frozen=True)
class LightVerdict:
    """The verdict on a light: its limits, and its present errors [stops], each within `band_stops` or not."""

    limits: tuple[LimitReport, ...]
    errors: Mapping[str, float]
    band_stops: float

    @property
    def ticks(self) -> dict[str, bool]:
        """The ticks for the balance as a whole, the ratio, the exposure, and the absence of any limit. A
        colour deviation does not count against the balance."""
        off = {what for what, error in self.errors.items() if abs(error) > self.band_stops}
        in_the_way = any(limit.at != "colour" for limit in self.limits)
        return {
            "balance": not off and not in_the_way,
            "ratio": RATIO not in off,
            "exposure": EXPOSURE not in off,
            "limits": not off and not self.limits,
        }

    def ticks_in_doubt(self, ratio_stops: float, exposure_stops: float) -> dict[str, bool]:
        """The ticks where heads that do not answer may move the ratio and the exposure so far [stops]: what
        that takes out of the band is not known to be as wanted."""
        found, sure_ratio, sure_exposure = (
            self.ticks,
            ratio_stops <= self.band_stops,
            exposure_stops <= self.band_stops,
        )
        every = sure_ratio and sure_exposure
        return {
            "balance": found["balance"] and every,
            "ratio": found["ratio"] and sure_ratio,
            "exposure": found["exposure"] and sure_exposure,
            "limits": found["limits"] and every,
        }


def judge(
    light: JudgedLight, circumstances: Circumstances = ACTS, now: AchievedReport | None = None
) -> LightVerdict:
    """Return the verdict on a light; `now` is its present state, by default the final one.

    Limits are those after a fade has ended; errors are the present ones.
    """
    final_errors = light.errors_at(light.rows, light.final_outputs * light.reachable, light.target_report)
    acts = circumstances.mode == "follow" and circumstances.shown is None
    rests = acts and light.solved_rows is not light.rows
    band = max(WITHIN_STOPS, circumstances.dead_band_stops if rests else 0.0)
    limits: list[LimitReport] = [
        *_not_counted(light, circumstances),
        *_chosen(circumstances, final_errors, band, _lit_though_out(light)),
    ]
    if acts and any(abs(error) > COUNTS_FROM_STOPS for error in final_errors.values()):
        limits += Reasons(light, final_errors, band, circumstances.waits).all()
    elif circumstances.mode == "freeze" and circumstances.shown is None:
        limits += _trims_not_met(light, _off(final_errors, band))
    limits += _over_most_lux(light, limits)
    if circumstances.mode != "dark" and circumstances.shown is None:
        limits += _colours(light.scene, light.final_outputs)
    errors = final_errors if now is None else errors_of(light.target_report, now)
    return LightVerdict(tuple(dict.fromkeys(limits)), errors, band)


def _off(errors: Mapping[str, float], band: float) -> list[str]:
    return [what for what, error in errors.items() if abs(error) > band]


def _not_counted(light: JudgedLight, circumstances: Circumstances) -> Iterator[LimitReport]:
    """Yield the limits of heads whose light cannot be relied on."""
    yield from circumstances.unwell
    for i in sorted(circumstances.leaving):
        name, role = light.scene.names[i], light.scene.roles[i]
        text = f"{name} goes out: the changed rig file no longer has it"
        yield LimitReport(head=name, role=role, at="leaving", says=text)


def _lit_though_out(light: JudgedLight) -> Iterator[str]:
    """Yield words for the roles that the target puts out, and that give light all the same."""
    for role in sorted(light.target.out_roles & light.metering.role_masks.keys()):
        if (light.final_outputs * light.reachable)[light.metering.role_masks[role]].any():
            yield f"{role} is to be out, but is lit"


def _chosen(
    circumstances: Circumstances, errors: Mapping[str, float], band: float, lit: Iterable[str]
) -> Iterator[LimitReport]:
    """Yield the limits of orders that keep the balance from acting; `lit` says what should be out."""
    mode, shown = circumstances.mode, circumstances.shown
    if shown is not None:
        yield bound("only", f"only {' and '.join(shown)} on" if shown else "all heads are out")
    elif mode == "dark":
        yield bound("dark", "the studio is going dark" if circumstances.fading else "the studio is dark")
    elif mode == "freeze":
        off = [*(off_words(what, errors[what]) for what in _off(errors, band)), *lit]
        if off:
            yield bound("freeze", f"the levels are frozen: {', '.join(off)}")


def _trims_not_met(light: JudgedLight, off: list[str]) -> Iterator[LimitReport]:
    """Yield heads at an end of their range where a trim on frozen levels stopped short."""
    for what in off:
        for limit in at_limits(light, what, light.final_outputs):
            if light.trims.get(limit.role or "", 0.0) != 0:
                yield limit


def _over_most_lux(light: JudgedLight, limits: list[LimitReport]) -> Iterator[LimitReport]:
    most = light.target.most_lux
    if most is None or any(limit.at == "most_lux" for limit in limits):
        return
    lux = light.rows.lux(light.final_outputs * light.reachable)
    brighter = float(max(lux[FACE_KEY], lux[FACE_FILL]))
    if brighter > most * (1 + OVER_MOST_LUX):
        gets = f"the brighter side of the face gets {lux_over(brighter, most)} lx"
        yield bound("most_lux", f"{gets}, more than its most, {most:g} lx")


def lux_over(lux: float, most: float) -> str:
    """Format lux over a limit with enough digits to show the excess.

    >>> lux_over(640.2, 600.0), lux_over(600.3, 600.0)
    ('640', '600.3')
    """
    return f"{lux:.0f}" if round(lux) > most else f"{lux:.1f}"


def _colours(scene: Scene, outputs: FloatArray) -> Iterator[LimitReport]:
    """Yield the limits of lit heads whose white is off target or shifted by dimming."""
    for head, role, output in zip(scene.rig.heads, scene.roles, outputs.tolist(), strict=True):
        off = white_deviation(scene.rig, head, output) if output > 0 else None
        if off is not None:
            yield LimitReport(head=head.name, role=role, at="colour", says=off)
