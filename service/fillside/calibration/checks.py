"""Wanted against metered: the readings that show whether a calibration still holds, and what they say."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict

from fillside.balance.limits import limits_of
from fillside.balance.offline import solve_rows
from fillside.balance.rounding import outputs_of
from fillside.balance.rows import EXPOSURE, Metering
from fillside.balance.wish import wish_from_rig
from fillside.photometry.dimming import level_from_code
from fillside.photometry.source import receptor_lux
from fillside.rig.calibrated import Calibration
from fillside.rig.model import Point, Rig
from fillside.rig.scene import scene

GOOD_STOPS = 0.15
"""Half the smallest step of a camera's dials; more in a held quantity can be seen side by side."""
SIGMAS = 2.0
NEARER_M = 0.4
"""How much nearer to its head a second reading is taken, to tell distance from level."""


class Check(BaseModel):
    """One reading to hold against what is expected; `lit` are levels by head, all others out.

    `what` is "head" (that head alone, flat, facing it), "near" (the same nearer to it), "exposure" or
    "background". `sigma_stops` is the standard uncertainty of the expectation.
    """

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    what: Literal["head", "near", "exposure", "background"]
    head: str | None
    lit: dict[str, float]
    at: Point
    receptor: Literal["flat", "dome"]
    facing: str
    expected_lux: float
    sigma_stops: float


class Checked(BaseModel):
    """A check with what was read."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    check: Check
    read_lux: float
    off_stops: float

    @property
    def good(self) -> bool:
        """Whether it is as near as can be seen, or as can be known."""
        return abs(self.off_stops) <= max(GOOD_STOPS, SIGMAS * self.check.sigma_stops)


class Verdict(BaseModel):
    """What all checks say together; stops are metered over wanted, None where it was not read."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    go: bool
    ratio_wanted: float | None
    ratio_metered: float | None
    ratio_off_stops: float | None
    exposure_wanted_lux: float
    exposure_metered_lux: float | None
    exposure_off_stops: float | None
    says: tuple[str, ...]


class Held:
    """The balance as a calibration holds it at a place: levels, and what a meter should show."""

    def __init__(self, rig: Rig, calibration: Calibration | None, at: Point) -> None:
        self.rig, self.at = rig, at
        self.scene = scene(rig, calibration)
        self.metering = Metering(self.scene)
        self.rows = self.metering.rows_at(at)
        codes = solve_rows(self.metering, self.rows, wish_from_rig(rig), limits_of(self.scene)).codes
        self.outputs = outputs_of(self.scene, codes)
        self.levels = {
            name: level_from_code(code, full)
            for name, code, full, fixed in zip(
                self.scene.names, codes, self.scene.full_scales, self.scene.fixed, strict=True
            )
            if not fixed
        }
        self._sigma = {
            name: (calibration.heads[name].sigma_stops or 0.3)
            if calibration and name in calibration.heads
            else 0.5
            for name in self.scene.names
        }

    def checks(self, background: bool) -> tuple[Check, ...]:
        """Each key and fill head alone, then the exposure, then the background if wanted."""
        rules = self.scene.rules
        heads = [i for rule in ("key", "fill") for i, own in enumerate(rules) if own == rule]
        found = [self.alone(i) for i in heads if not self.scene.fixed[i]]
        found.append(self._exposure())
        if background and "background" in rules:
            found.append(self._background(rules.index("background")))
        return tuple(found)

    def alone(self, head: int, at: Point | None = None) -> Check:
        """One head alone at its held level, flat receptor facing it, at the subject or elsewhere."""
        rows = self.rows if at is None else self.metering.rows_at(at)
        lux = float(rows.facing_lux[head] * self.outputs[head]) + self._fixed_toward(head)
        name = self.scene.names[head]
        return Check(
            what="head" if at is None else "near",
            head=name,
            lit={name: self.levels[name]},
            at=self.at if at is None else at,
            receptor="flat",
            facing=name,
            expected_lux=lux,
            sigma_stops=self._sigma[name],
        )

    def _fixed_toward(self, head: int) -> float:
        """What is there with all heads out, as a flat receptor facing a head sees it [lux]."""
        toward_key, toward_fill, _ = self.scene.ambient
        return toward_key if self.scene.rules[head] == "key" else toward_fill

    def nearer(self, head: int) -> Check:
        """The same some way nearer to the head."""
        toward = np.array(self.rig.heads[head].position) - np.array(self.at)
        x, y, z = (float(round(v, 2)) for v in np.array(self.at) + NEARER_M * toward / np.linalg.norm(toward))
        return self.alone(head, (x, y, z))

    def _exposure(self) -> Check:
        lit = {
            name: self.levels[name]
            for name, rule in zip(self.scene.names, self.scene.rules, strict=True)
            if rule in ("key", "fill") and name in self.levels
        }
        meter = self.rig.meter
        keys = [n for n, rule in zip(self.scene.names, self.scene.rules, strict=True) if rule == "key"]
        facing = keys[0] if meter.facing == "key" and keys else "camera"
        return Check(
            what="exposure",
            head=None,
            lit=lit,
            at=self.at,
            receptor=meter.receptor,
            facing=facing,
            expected_lux=float(self.rows.lux(self.outputs)[EXPOSURE]),
            sigma_stops=max((self._sigma[name] for name in lit), default=0.0),
        )

    def _background(self, head: int) -> Check:
        aim = self.scene.aims[head]
        axis = np.array(self.rig.camera.position) - aim
        seen = receptor_lux(
            self.scene.sources, aim, (axis / np.linalg.norm(axis))[np.newaxis], np.array([False])
        )[0]
        lux = float(seen @ self.outputs) + self.scene.ambient[2]
        x, y, z = (float(v) for v in aim)
        return Check(
            what="background",
            head=self.scene.names[head],
            lit={name: level for name, level in self.levels.items() if self._burns(name)},
            at=(x, y, z),
            receptor="flat",
            facing="camera",
            expected_lux=lux,
            sigma_stops=max(self._sigma.values()),
        )

    def _burns(self, name: str) -> bool:
        return self.scene.rules[self.scene.index(name)] != "work"


def checked(check: Check, read_lux: float) -> Checked:
    """A check with what was read [lux]."""
    off = math.log2(max(read_lux, 1e-3) / max(check.expected_lux, 1e-3))
    return Checked(check=check, read_lux=read_lux, off_stops=round(off, 4))


def verdict(held: Held, done: Sequence[Checked]) -> Verdict:
    """Go or not, the held ratio and exposure wanted against metered, and which head is off and how."""
    lit, shadow = _side(held, done, "key"), _side(held, done, "fill")
    wish = wish_from_rig(held.rig)
    ratio = None if lit is None or shadow is None or shadow <= 0 else lit / shadow
    wanted = _wanted_quotient(held)
    exposure = next((c for c in done if c.check.what == "exposure"), None)
    ratio_off = None if ratio is None or wanted is None else math.log2(ratio / wanted)
    says = [text for c in done for text in _off_words(held, c, done)]
    allowed = [abs(ratio_off) <= 2 * GOOD_STOPS] if ratio_off is not None else []
    go = all(c.good for c in done if c.check.what != "near") and all(allowed)
    return Verdict(
        go=go,
        ratio_wanted=None if wanted is None else wish.ratio_from_quotient(wanted),
        ratio_metered=None if ratio is None else wish.ratio_from_quotient(ratio),
        ratio_off_stops=None if ratio_off is None else round(ratio_off, 3),
        exposure_wanted_lux=wish.exposure_lux,
        exposure_metered_lux=None if exposure is None else exposure.read_lux,
        exposure_off_stops=None
        if exposure is None
        else round(math.log2(max(exposure.read_lux, 1e-3) / wish.exposure_lux), 3),
        says=tuple(says) if says else ("Everything is where it was.",),
    )


def _wanted_quotient(held: Held) -> float | None:
    """Lit side over shadow side as the solved outputs give it."""
    lux = held.rows.lux(held.outputs)
    return float(lux[0] / lux[1]) if lux[0] > 0 and lux[1] > 0 else None


def _side(held: Held, done: Sequence[Checked], rule: str) -> float | None:
    """The lit or shadow side from readings of each of its heads alone [lux]; None unless all were read."""
    heads = [n for n, own in zip(held.scene.names, held.scene.rules, strict=True) if own == rule]
    read: Mapping[str | None, float] = {c.check.head: c.read_lux for c in done if c.check.what == "head"}
    if not heads or any(name not in read for name in heads):
        return None
    ambient = held.scene.ambient[0 if rule == "key" else 1]
    return sum(read[name] for name in heads) - (len(heads) - 1) * ambient


def _off_words(held: Held, one: Checked, done: Sequence[Checked]) -> list[str]:
    if one.good or one.check.what == "near":
        return []
    side = "more" if one.off_stops > 0 else "less"
    off = f"{abs(one.off_stops):.1f} stop {side} than expected"
    if one.check.what == "exposure":
        return [f"Exposure: {off}."]
    if one.check.what == "background":
        return [f"Background at {one.check.head}'s aim: {off}."]
    near = next((c for c in done if c.check.what == "near" and c.check.head == one.check.head), None)
    why = "" if near is None else " " + cause(held, one, near)
    return [f"{one.check.head}: {off}.{why}"]


def cause(held: Held, far: Checked, near: Checked) -> str:
    """Whether a head that is off looks moved or changed, from readings at two distances.

    A lamp that changed is off by the same stops everywhere. A stand that moved by s along the line is off by
    2 log2(d / (d + s)), more the nearer one is.
    """
    head = held.scene.index(str(far.check.head))
    source = np.array(held.rig.heads[head].position)
    far_m, near_m = (float(np.linalg.norm(source - np.array(c.check.at))) for c in (far, near))
    moves = np.linspace(-0.8 * near_m, 2.0, 400)
    expected = 2 * np.log2(np.stack([far_m / (far_m + moves), near_m / (near_m + moves)]))
    read = np.array([[far.off_stops], [near.off_stops]])
    moved = ((expected - read) ** 2).sum(axis=0)
    level = (far.off_stops + near.off_stops) / 2
    changed = (far.off_stops - level) ** 2 + (near.off_stops - level) ** 2
    best = int(np.argmin(moved))
    if float(moved[best]) < changed:
        way = "farther off" if moves[best] > 0 else "nearer"
        return f"That looks like a bumped stand: about {abs(moves[best]):.1f} m {way}."
    return "That looks like a changed lamp, dimmer or modifier: it is the same at both distances."
