"""What is wrong with heads, in words: for limits, notes and the answers to orders."""

from __future__ import annotations

from collections.abc import Sequence

from fillside.balance.report import LimitReport
from fillside.hold.snapshot.health import HeadCondition
from fillside.rig.notation import percent
from fillside.rig.scene.scene import Scene


def head_limits(scene: Scene, heads: Sequence[HeadCondition]) -> tuple[LimitReport, ...]:
    """The heads that are lost or disobey, as limits of the balance."""
    return tuple(
        LimitReport(head=name, role=role, at=head.state, says=_words(name, scene.full_scales[i], head))
        for i, (name, role, head) in enumerate(zip(scene.names, scene.roles, heads, strict=True))
        if head.state == "lost" or head.state == "disobeying"  # noqa: PLR1714 - for mypy
    )


def head_notes(scene: Scene, heads: Sequence[HeadCondition]) -> tuple[str, ...]:
    """The heads whose lamps speak for themselves and do not answer in time, or disobey."""
    return tuple(
        _words(name, full_scale, head)
        for name, full_scale, head in zip(scene.names, scene.full_scales, heads, strict=True)
        if head.state == "disobeying" or (head.state == "late" and head.confirmed is not None)
    )


def level_reported(full_scale: int, code: int | None) -> float | None:
    """A reported code as a level, 0..1.

    >>> level_reported(200, 50)
    0.25
    """
    return None if code is None or full_scale == 0 else code / full_scale


def _words(name: str, full_scale: int, head: HeadCondition) -> str:
    if head.state == "lost":
        return f"{name} cannot be reached"
    if head.state == "late":
        return f"{name} has not answered"
    level = level_reported(full_scale, head.code)
    return f"{name} does not obey" + ("" if level is None else f": it reports {percent(level)}")
