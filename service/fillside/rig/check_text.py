"""The check of a rig file as text for people."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable

from fillside.rig.check import Check, HeadUnderstood
from fillside.rig.model import Point

WIDTH = 96


def check_text(check: Check) -> str:
    """A page of text: understood, warnings, cautions, camera; every number with its unit."""
    parts = [
        _summary(check),
        _heads(check),
        _section("Odd", (f"{w.key}: {w.says}" for w in check.warnings)),
        _section("Mind", check.cautions),
        _section("Fix at the camera", check.camera),
    ]
    return "\n\n".join(part for part in parts if part)


def _summary(check: Check) -> str:
    stops = "" if check.ratio_stops is None else f", {check.ratio_stops:+.2f} stops key over fill"
    toward = ", ".join(f"{lux:.3g}" for lux in check.ambient_lux)
    return "\n".join(
        [
            f"{check.rig}: {_many(len(check.heads), 'head')}, {_many(len(check.marks), 'mark')}",
            f"  subject  {_place(check.subject)}, looking to {check.looks}",
            f"  ratio    {check.ratio:.3g}:1 read as {check.read_as}{stops}",
            f"  exposure {check.exposure_target_lux:.0f} lux",
            f"  ambient  {toward} lux toward key, fill and camera",
        ]
    )


def _heads(check: Check) -> str:
    rows = [_row(head) for head in check.heads]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return "\n".join(
        "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    )


def _row(head: HeadUnderstood) -> tuple[str, ...]:
    side = "right" if head.side_deg >= 0 else "left"
    role = head.role if head.role == head.holds_like else f"{head.role} (as {head.holds_like})"
    wire = "not dimmed" if head.driver is None else f"{head.driver}, codes 0 to {head.full_scale}"
    floor = f", floor {100 * head.floor:.2g} %" if head.floor else ""
    return (
        head.name,
        role,
        f"{head.distance_m:.2f} m",
        f"{abs(head.side_deg):.0f}° {side}",
        f"{abs(head.up_deg):.0f}° {'up' if head.up_deg >= 0 else 'down'}",
        f"{_three_digits(head.intensity_cd)} cd from {head.intensity_from}",
        f"{head.curve}{floor}",
        wire,
    )


def _section(title: str, sentences: Iterable[str]) -> str:
    wrapped = [
        textwrap.fill(text, WIDTH, initial_indent="  - ", subsequent_indent="    ") for text in sentences
    ]
    return "\n".join([title, *wrapped]) if wrapped else ""


def _three_digits(value: float) -> str:
    """A value above 0 at three significant digits, never as a power of ten.

    >>> _three_digits(3581.0), _three_digits(0.12345)
    ('3580', '0.123')
    """
    digits = 2 - math.floor(math.log10(value))
    return f"{round(value, digits):.{max(digits, 0)}f}"


def _place(point: Point) -> str:
    return "at " + ", ".join(f"{part:.2f}" for part in point) + " m"


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
