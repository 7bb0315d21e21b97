"""Codes of a lamp with two whites that was held at another white: the light of each is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from fillside.photometry.white_mix import WhiteMix
from fillside.rig.scene.scene import Scene


def cool_shares(scene: Scene) -> dict[str, float]:
    """The cool channel's share (0..1) in the light of each head that mixes two whites, by name."""
    mixes = {name: _mix(scene, i) for i, name in enumerate(scene.names)}
    return {name: mix.cool_share for name, mix in mixes.items() if mix is not None}


def same_light(scene: Scene, head: str, code: int, full_scale: int, then: Mapping[str, float]) -> int:
    """The code of that full scale which now gives the light it gave in the mixes of `then`.

    The nearest one, and full where the mix of now gives no more. A head that held the same mix, or none,
    keeps its code, and so does one that is out or has no wire.
    """
    place = scene.names.index(head) if head in scene.names else None
    mix = None if place is None else _mix(scene, place)
    if (
        place is None
        or mix is None
        or 0 in (code, full_scale)
        or then.get(head, mix.cool_share) == mix.cool_share
    ):
        return code
    old = replace(mix, full_scale=full_scale, cool_share=then[head])
    own = scene.curves[place]
    # A calibrated curve is that of the lamp as a whole, whatever its mix.
    was = old if isinstance(own, WhiteMix) else own
    light = float(was.output_from_level(code / full_scale)) * old.most
    level = float(own.level_from_output(min(1.0, light / mix.most)))
    return max(1, int(level * full_scale + 0.5))


def _mix(scene: Scene, place: int) -> WhiteMix | None:
    white = scene.whites[place]
    return None if white is None else white.mix
