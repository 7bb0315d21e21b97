"""Which white each head is held at: what is wanted, what the lamp can, and how its channels make it."""

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
"""Lamps whose colour moves as they dim, and their temperature [K] where the file states none (usual for the
trade, no source)."""


@dataclass(frozen=True)
class White:
    """The white of a head that has more than one.

    `wanted_k` [K] is None where nothing is wanted; `held_k` is what the head is held at. `mix` is the curve
    of a head with a warm and a cool channel; a bulb that is told its colour has none (`told`), nor has a
    lamp that is set by hand.
    """

    warm_k: float
    cool_k: float
    wanted_k: float | None
    held_k: float
    mix: WhiteMix | None = None
    told: bool = False

    @property
    def most(self) -> float:
        """The head's most light at this white, over that with everything at full."""
        return 1.0 if self.mix is None else self.mix.most


def wanted_cct_k(rig: Rig, head: Head) -> float | None:
    """The colour temperature [K] that the balance wants of a head, None where it says none."""
    wanted = rig.balance.cct
    return wanted.get(head.role) if isinstance(wanted, dict) else wanted


def white_of(rig: Rig, head: Head) -> White | None:
    """How a head with two ends of its colour is held, None for one with a single white or none stated."""
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
    return White(warm, cool, wanted, held, told=way == "told" and wanted is not None)


def stated_curve(head: Head) -> DimmingCurve:
    """The dimming curve that the file states, of each channel where there are two."""
    spec = head.dimming.curve
    return curve((spec.levels, spec.outputs) if isinstance(spec, CurveTable) else spec)


def cct_at_full_k(rig: Rig, head: Head) -> float | None:
    """The colour temperature [K] of a head's light at full, None where the file does not tell."""
    white = white_of(rig, head)
    if white is not None:
        return white.held_k
    if head.lamp is None:
        return None
    return head.lamp.cct_k or HOT_KINDS.get(head.lamp.kind)


def white_checks(rig: Rig) -> Iterator[Problem]:
    """Drives that need a lamp with two whites and have none."""
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


NOTICEABLE_MIRED = 5.0
"""A difference that is said: about two steps that can just be seen (a rule of thumb of the trade)."""


def cct_at_output_k(rig: Rig, head: Head, output: float) -> float | None:
    """The colour temperature [K] of a head's light at an output above 0, None where the file does not tell.

    Incandescent lamps burn warmer as they dim; of others the colour is taken to stay.
    """
    full = cct_at_full_k(rig, head)
    if full is None or head.lamp is None or head.lamp.kind not in HOT_KINDS or head.dimming.fixed:
        return full
    return tungsten_cct_k(full, output)


def white_deviation(rig: Rig, head: Head, output: float) -> str | None:
    """In a sentence how a head's white at an output above 0 misses what is wanted, None where it does not.

    Without a wish it is held against the head's own white at full.
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


STEP_MIRED = 2.0
"""Less than can just be told of two whites side by side (common practice, no source)."""


def white_fade(old: Rig, new: Rig) -> Iterator[Rig]:
    """The old rig held at whites nearer and nearer to the new file's, the last at those.

    There are none where no lamp with a warm and a cool channel is to be held at another white.
    """
    ends = _ends(old, new)
    steps = math.ceil(max((abs(mired(b) - mired(a)) for a, b in ends.values()), default=0.0) / STEP_MIRED)
    for step in range(1, steps + 1):
        between = {role: _between(a, b, step / steps) for role, (a, b) in ends.items()}
        rest = {head.role: k for head in old.heads if (k := wanted_cct_k(old, head)) is not None}
        balance = old.balance.model_copy(update={"cct": {**rest, **between}})
        yield old.model_copy(update={"balance": balance})


def _ends(old: Rig, new: Rig) -> dict[str, tuple[float, float]]:
    """By role the white held now and the one to come [K], of lamps that mix two."""
    there = old.model_copy(update={"balance": old.balance.model_copy(update={"cct": new.balance.cct})})
    found = {}
    for head in old.heads:
        now, then = white_of(old, head), white_of(there, head)
        if now is not None and then is not None and now.mix is not None and now.wanted_k != then.wanted_k:
            found[head.role] = now.wanted_k or now.held_k, then.wanted_k or then.held_k
    return found


def _between(a_k: float, b_k: float, part: float) -> float:
    """A colour temperature between two [K], by mired, as eyes and cameras count."""
    return 1e6 / (mired(a_k) + part * (mired(b_k) - mired(a_k)))
