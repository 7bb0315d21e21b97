"""The white of each head: the target, the lamp's range, and the mix of its channels."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from fillside.photometry.colour import cool_share_for, mired, mixed_cct_k, tungsten_cct_k
from fillside.photometry.dimming import DimmingCurve, curve
from fillside.photometry.white_mix import WhiteMix
from fillside.rig.notation import stop_size
from fillside.rig.problems import Problem
from fillside.rig.tables.drivers import TunableDrive
from fillside.rig.tables.model import CurveTable, Head, Rig

HOT_KINDS = {"incandescent": 2700.0, "halogen": 3200.0}
"""Lamps whose colour shifts as they dim, with the temperature [K] assumed if the file states none (usual in
the trade, no source)."""
NOTICEABLE_MIRED = 5.0
"""Smallest difference worth reporting: about two just noticeable steps (rule of thumb of the trade)."""
STEP_MIRED = 2.0
"""A difference too small to see between two whites side by side (common practice, no source)."""


@dataclass(frozen=True)
class White:
    """The white of a head that has more than one.

    Attributes:
        warm_k, cool_k: the ends of its range [K].
        wanted_k: the target [K]; None if there is none.
        held_k: the white it is held at [K].
        mix: the dimming curve of a lamp with a warm and a cool channel; None for any other.
        sends_cct: true for a bulb that receives its colour temperature with its level.
    """

    warm_k: float
    cool_k: float
    wanted_k: float | None
    held_k: float
    mix: WhiteMix | None = None
    sends_cct: bool = False

    @property
    def most(self) -> float:
        """The head's most light at this white, relative to everything at full."""
        return 1.0 if self.mix is None else self.mix.most


def wanted_cct_k(rig: Rig, head: Head) -> float | None:
    """Return the colour temperature [K] that the balance asks of a head, or None."""
    wanted = rig.balance.cct
    return wanted.get(head.role) if isinstance(wanted, dict) else wanted


def white_of(rig: Rig, head: Head) -> White | None:
    """Return the white of a head with a range of whites; None for any other head."""
    ends = None if head.lamp is None else head.lamp.ends_k
    if head.lamp is None or ends is None:
        return None
    warm, cool = ends
    wanted = wanted_cct_k(rig, head)
    drive = rig.driver_config.drives.get(head.name)
    way = drive.whites if isinstance(drive, TunableDrive) else None
    if way == "channels":
        part = head.lamp.cool_part
        share = part if wanted is None else cool_share_for(warm, cool, wanted)
        mix = WhiteMix(stated_curve(head), rig.full_scale_of(head), part, share)
        held = mixed_cct_k(warm, cool, share) if wanted is None else min(max(wanted, warm), cool)
        return White(warm, cool, wanted, held, mix)
    middle = 2e6 / (mired(warm) + mired(cool))
    held = min(max(middle if wanted is None else wanted, warm), cool)
    return White(warm, cool, wanted, held, sends_cct=way == "told" and wanted is not None)


def stated_curve(head: Head) -> DimmingCurve:
    """Return the dimming curve stated in the file, which holds for each channel if there are two."""
    spec = head.dimming.curve
    return curve((spec.levels, spec.outputs) if isinstance(spec, CurveTable) else spec)


def cct_at_full_k(rig: Rig, head: Head) -> float | None:
    """Return the colour temperature [K] of a head's light at full; None if the file does not say."""
    white = white_of(rig, head)
    if white is not None:
        return white.held_k
    if head.lamp is None:
        return None
    return head.lamp.cct_k or HOT_KINDS.get(head.lamp.kind)


def white_checks(rig: Rig) -> Iterator[Problem]:
    """Yield drives that set the white of a lamp without a stated range of whites, and vice versa."""
    for i, head in enumerate(rig.heads):
        drive = rig.driver_config.drives.get(head.name)
        way = drive.whites if isinstance(drive, TunableDrive) else None
        ends = None if head.lamp is None else head.lamp.ends_k
        if way is not None and ends is None:
            why = "a drive that sets the colour needs the lamp's two ends, as lamp.cct = [2700, 6500]"
            yield Problem(("heads", i, "drive"), why)
        if head.lamp is not None and head.lamp.cool_share is not None and way != "channels":
            why = "is of a lamp with a warm and a cool channel, and the drive has no place for the second"
            yield Problem(("heads", i, "lamp", "cool_share"), why)


def cct_at_output_k(rig: Rig, head: Head, output: float) -> float | None:
    """Return the colour temperature [K] of a head's light at an output above 0; None if it is not stated.

    Incandescent lamps get warmer as they dim; the colour of other lamps is assumed to be constant.
    """
    full = cct_at_full_k(rig, head)
    if full is None or head.lamp is None or head.lamp.kind not in HOT_KINDS or head.dimming.fixed:
        return full
    return tungsten_cct_k(full, output)


def white_deviation(rig: Rig, head: Head, output: float) -> str | None:
    """Describe in a sentence how a head's white at an output above 0 misses its target; None if it does not.

    Without a target the reference is the head's own white at full.
    """
    full, now = cct_at_full_k(rig, head), cct_at_output_k(rig, head, output)
    if full is None or now is None:
        return None
    wanted = wanted_cct_k(rig, head)
    off = mired(now) - mired(full if wanted is None else wanted)
    tunable = white_of(rig, head) is not None
    if abs(off) < (0.5 if tunable else NOTICEABLE_MIRED):
        return None
    way = "warmer" if off > 0 else "cooler"
    if wanted is None:
        stops = -math.log2(output)
        return (
            f"dimmed by {stop_size(stops)}, {head.name} burns {off:.0f} mired {way} than at full, {now:.0f} K"
        )
    reach = "comes nearest at" if tunable else "burns at"
    return f"{head.name} {reach} {now:.0f} K, {abs(off):.0f} mired {way} than the {wanted:.0f} K wanted"


def white_fade(old: Rig, new: Rig) -> Iterator[Rig]:
    """Yield the old rig with its whites moved in small steps to those of the new rig.

    Nothing is yielded unless a lamp with a warm and a cool channel changes its white.
    """
    ends = _ends(old, new)
    steps = math.ceil(max((abs(mired(b) - mired(a)) for a, b in ends.values()), default=0.0) / STEP_MIRED)
    for step in range(1, steps + 1):
        between = {role: _between(a, b, step / steps) for role, (a, b) in ends.items()}
        rest = {head.role: k for head in old.heads if (k := wanted_cct_k(old, head)) is not None}
        balance = old.balance.model_copy(update={"cct": {**rest, **between}})
        yield old.model_copy(update={"balance": balance})


def _ends(old: Rig, new: Rig) -> dict[str, tuple[float, float]]:
    """Return the present and the next white [K] by role, for lamps that mix two."""
    there = old.model_copy(update={"balance": old.balance.model_copy(update={"cct": new.balance.cct})})
    found = {}
    for head in old.heads:
        now, then = white_of(old, head), white_of(there, head)
        if now is not None and then is not None and now.mix is not None and now.wanted_k != then.wanted_k:
            found[head.role] = now.wanted_k or now.held_k, then.wanted_k or then.held_k
    return found


def _between(a_k: float, b_k: float, part: float) -> float:
    """Interpolate between two colour temperatures [K] in mired, in which equal steps look equal."""
    return 1e6 / (mired(a_k) + part * (mired(b_k) - mired(a_k)))
