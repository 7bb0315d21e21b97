"""What is odd about the whites of a rig, and what dimming will do to them."""

from __future__ import annotations

from collections.abc import Iterator

from fillside.photometry.colour import duv, mired, mixed_cct_k, mixed_uv, tungsten_cct_k, xy_of_uv
from fillside.photometry.whites import TwoWhites
from fillside.rig.scene.whites import HOT_KINDS, OFF_FROM_MIRED, White, cct_at_full_k, colour_off, white_of
from fillside.rig.tables.head import Head
from fillside.rig.tables.model import Rig

PINK_FROM_DUV = 0.006
"""How far from the black body's line a white lamp may be (ANSI C78.377, from memory)."""
LOW_OUTPUT = 0.05
"""Steps of the wire are judged down to the head's floor, or to here where none is given."""


def white_warnings(rig: Rig) -> Iterator[tuple[str, str]]:
    """Dotted key and sentence of everything to mind about colour temperatures."""
    if isinstance(rig.balance.cct, dict):
        roles = {head.role for head in rig.heads}
        for role in rig.balance.cct:
            if role not in roles:
                yield f"balance.cct.{role}", f"no head has the role {role}"
    for head in rig.heads:
        key = f"heads.{head.name}.lamp"
        for says in (*_dimming(rig, head), *_tuning(rig, head)):
            yield key, says
        off = colour_off(rig, head, 1.0)
        if off is not None:
            yield f"{key}.cct", off


def _dimming(rig: Rig, head: Head) -> Iterator[str]:
    full = cct_at_full_k(rig, head)
    if full is None or head.lamp is None or head.lamp.kind not in HOT_KINDS or head.dimming.fixed:
        return
    a_stop = mired(tungsten_cct_k(full, 0.5)) - mired(full)
    yield (
        f"its colour moves about {a_stop:.0f} mired a stop as it dims, from {full:.0f} K at full: more than "
        f"{OFF_FROM_MIRED:.0f} from {OFF_FROM_MIRED / a_stop:.1f} stop down; dim it by distance or diffusion "
        "where colour matters"
    )


def _tuning(rig: Rig, head: Head) -> Iterator[str]:
    white = white_of(rig, head)
    if white is None:
        return
    if white.mix is None and not white.told:
        to = "" if white.wanted_k is None else f": set it to {white.held_k:.0f} K by hand"
        yield f"its white can be changed, but nothing here does it{to}"
    elif white.wanted_k is None:
        yield f"no balance.cct is given for it; both whites run alike, at about {white.held_k:.0f} K"
    if white.mix is not None:
        yield from _mix(white, white.mix, head.dimming.floor or LOW_OUTPUT)


def _mix(white: White, mix: TwoWhites, low: float) -> Iterator[str]:
    off = duv(*xy_of_uv(*mixed_uv(white.warm_k, white.cool_k, mix.cool_share)))
    if abs(off) >= PINK_FROM_DUV:
        yield (
            f"its two whites mixed to {white.held_k:.0f} K are pinkish, about Duv {off:.3f}; "
            "compare with a lamp of one white before you trust it on skin"
        )
    coarse = max(
        abs(mired(mixed_cct_k(white.warm_k, white.cool_k, share)) - mired(white.held_k))
        for share in mix.cool_shares(low)
    )
    if coarse >= OFF_FROM_MIRED and white.warm_k <= (white.wanted_k or white.held_k) <= white.cool_k:
        yield (
            f"its steps are too coarse to hold its white: down to {100 * low:.0f} % of its light it wanders "
            f"by {coarse:.0f} mired; drive it in 16 bits if it can be"
        )
    if white.most < 0.999:
        yield f"at {white.held_k:.0f} K it gives {100 * white.most:.0f} % of what both channels give at full"
