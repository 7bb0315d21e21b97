"""The forward model: the light that follows from unknowns, and how each unknown moves it.

Lux on a receptor along n is the sum over heads of 2^(log2 cd + log2 output) (direct per candela + e^g s(n)),
with e^g the mean of the head's room light per candela and s(n) = c + 2 u n its shape (c is 1 for a flat
receptor and 2 for a dome, |u| < 1), and of the ambient light in the same four numbers.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fillside.belief.evidence import CAMERA
from fillside.belief.forward.dimmer import KNOTS, LEAST_LEVEL, BelievedDimmers
from fillside.belief.forward.paths import LightPaths, PerCandela, lux_per_candela, per_candela, unit
from fillside.belief.forward.priors import (
    AMBIENT,
    AMBIENT_DIRECTION_SD,
    AMBIENT_X,
    DIRECTION_SD,
    DOME,
    DOME_SD_STOPS,
    FIGURES,
    INTENSITY,
    INTENSITY_SD_STOPS,
    LIT_SHARE,
    METER,
    METER_SD_STOPS,
    ROOM,
    ROOM_X,
    SETBACK,
    SHARED,
    STAND,
    TAPE_SD_M,
    WINDOW_AWAY,
    WINDOW_AWAY_M,
    WINDOW_AWAY_SD,
    WINDOW_GROWTH,
    WINDOW_LUX,
    WINDOW_X,
    Prior,
    prior,
)
from fillside.belief.forward.quantities import HeadStep, Point, Quantities, Wanted
from fillside.photometry.window_light import WindowLight, window_lux
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

PER_HEAD = FIGURES + KNOTS
LN2 = math.log(2)
_STEP = 1e-4
_FARTHEST, _FARTHEST_WINDOW = 20.0, 5.0
"""Logarithms of room light and of ambient light stay within so much of what was believed."""


@dataclass(frozen=True)
class Figures:
    """The studio that unknowns (size,) stand for, with the heads (n) of a model.

    Attributes:
        z: the unknowns.
        log2_cd: intensities [log2 cd] before any step (n,).
        setback_m: how far the light comes from behind where the file puts the head, before any step (n,) [m].
        lit_share: of the diameters (n,).
        room_gain: mean of the room light per candela (n,) [lux/cd].
        room_lean: vector of the room light over twice its mean (n, 3), shorter than 1.
        dimmers: the dimmers.
        moves_m, changes_stops: what each step (k) does to each head (n, k).
        ambient_lux, ambient_lean: mean [lux], and vector over twice that (3,), of the light with all heads
            out but for a window's.
        window: the window's light.
        setback_slope, share_slope: d setback / d z, d share / d z (n,).
        room_turn, ambient_turn: d lean / d z (n, 3, 3) and (3, 3).
    """

    z: FloatArray
    log2_cd: FloatArray
    setback_m: FloatArray
    lit_share: FloatArray
    room_gain: FloatArray
    room_lean: FloatArray
    dimmers: BelievedDimmers
    moves_m: FloatArray
    changes_stops: FloatArray
    ambient_lux: float
    ambient_lean: FloatArray
    window: WindowLight
    setback_slope: FloatArray
    share_slope: FloatArray
    room_turn: FloatArray
    ambient_turn: FloatArray

    @property
    def intensity_cd(self) -> FloatArray:
        """Intensities after all steps (n,) [cd]."""
        return np.asarray(2.0 ** (self.log2_cd + self.changes_stops.sum(axis=1)))


@dataclass(frozen=True)
class Model:
    """A rig's unknowns and the light that follows from them.

    The unknowns (size,) are standard normal: PER_HEAD a head, then SHARED, then one for each of the `steps`:
    how far a stand went, and how much more a lamp gives.
    """

    rig: Rig
    names: tuple[str, ...]
    prior: Prior = field(repr=False)
    targets: Mapping[str, FloatArray] = field(repr=False)
    steps: tuple[HeadStep, ...] = ()

    @property
    def heads(self) -> int:
        return len(self.names)

    @property
    def size(self) -> int:
        return self.heads * PER_HEAD + SHARED + len(self.steps)

    def head_block(self, head: int) -> slice:
        """The unknowns of one head."""
        return slice(head * PER_HEAD, (head + 1) * PER_HEAD)

    def per_head(self, z: FloatArray) -> FloatArray:
        """The unknowns as (n, PER_HEAD)."""
        return z[: self.heads * PER_HEAD].reshape(self.heads, PER_HEAD)

    def shared(self, z: FloatArray) -> FloatArray:
        """The unknowns that all heads share (SHARED,)."""
        first = self.heads * PER_HEAD
        return z[first : first + SHARED]

    def shares(self, rows: FloatArray) -> FloatArray:
        """The share of each head in the light of readings (m, n), by the slopes of their stops (m, size)."""
        own = rows[:, : self.heads * PER_HEAD].reshape(len(rows), self.heads, PER_HEAD)
        return np.asarray(own[:, :, INTENSITY] / INTENSITY_SD_STOPS)

    def index_of_shared(self, unknown: int) -> int:
        return self.heads * PER_HEAD + unknown

    def index_of_step(self, step: int) -> int:
        return self.heads * PER_HEAD + SHARED + step

    def by_step(self, kind: str) -> FloatArray:
        """The effect of each step (k) of a kind on each head (n, k), per unit of its unknown."""
        found = np.zeros((self.heads, len(self.steps)))
        for k, step in enumerate(self.steps):
            if step.kind == kind:
                found[step.head, k] = step.size
        return found

    def figures(self, z: FloatArray) -> Figures:
        """The figures that unknowns (size,) stand for."""
        own, shared, stepped = self.per_head(z), self.shared(z), z[self.index_of_step(0) :]
        setback, setback_slope = self.prior.setback(own)
        share, share_slope = self.prior.share(own)
        log_room, room_sd = self.prior.log_room
        lean, turn = leans(DIRECTION_SD * own[:, ROOM_X : ROOM_X + 3])
        ambient_lean, ambient_turn = leans(AMBIENT_DIRECTION_SD * shared[None, AMBIENT_X : AMBIENT_X + 3])
        ambient_lux, ambient_sd = self.prior.ambient_lux
        return Figures(
            z=z,
            log2_cd=self.prior.log2_cd + INTENSITY_SD_STOPS * own[:, INTENSITY],
            setback_m=setback + TAPE_SD_M * own[:, STAND],
            lit_share=share,
            room_gain=np.exp(log_room + np.clip(room_sd * own[:, ROOM], -_FARTHEST, _FARTHEST)),
            room_lean=lean,
            dimmers=self.prior.dimmers.at(own[:, FIGURES:]),
            moves_m=self.by_step("moved") * stepped,
            changes_stops=self.by_step("changed") * stepped,
            ambient_lux=ambient_lux
            * math.exp(min(max(ambient_sd * float(shared[AMBIENT]), -_FARTHEST), _FARTHEST)),
            ambient_lean=ambient_lean[0],
            window=self._window_of(shared),
            setback_slope=setback_slope,
            share_slope=share_slope,
            room_turn=turn,
            ambient_turn=ambient_turn[0],
        )

    def _window_of(self, shared: FloatArray) -> WindowLight:
        """The window by the unknowns that heads share (SHARED,)."""
        (toward,), (away,) = _windows(shared[None, WINDOW_X : WINDOW_AWAY + 1])
        x, y, z = toward.tolist()
        return WindowLight(self.rig.first_mark, (x, y, z), float(away))

    def target(self, facing: str | Point, after: Sequence[bool] = ()) -> FloatArray:
        """The point that a receptor faces [m], after some of the steps; by default after all."""
        if facing in self.names and not all(after):
            return self.stood(self.names.index(facing), after)
        return self.targets[facing] if isinstance(facing, str) else np.array(facing, dtype=np.float64)

    def stood(self, head: int, after: Sequence[bool]) -> FloatArray:
        """The place of a head [m] after some of the steps, which are in the order of time."""
        places = (step.was for step in self._to_come(head, after) if step.was is not None)
        return np.array(next(places, self.rig.heads[head].position), dtype=np.float64)

    def label(self, head: int, after: Sequence[bool]) -> float:
        """The intensity that the rig file stated of a head after some of the steps, over that of now
        [stops]."""
        labels = (step.was_cd for step in self._to_come(head, after) if step.was_cd is not None)
        return next((math.log2(cd / self.rig.heads[head].intensity_cd) for cd in labels), 0.0)

    def _to_come(self, head: int, after: Sequence[bool]) -> Iterator[HeadStep]:
        """The steps of a head that had not been taken yet."""
        passed = zip(self.steps, after, strict=False)
        return (step for step, done in passed if step.head == head and not done)

    def quantities(self, wanted: Sequence[Wanted]) -> Quantities:
        """Quantities from what is wanted; equal paths count once."""
        row, path, lamp, sky = [], [], [], np.zeros((len(wanted), 3))
        known: dict[tuple[int, Point, str | Point, bool, tuple[bool, ...]], int] = {}
        lamps: dict[tuple[int, float, tuple[bool, ...]], int] = {}
        now = (True,) * len(self.steps)
        for number, one in enumerate(wanted):
            after = now if one.after is None else one.after
            if one.ambient is not None:
                sky[number] = unit(self.target(one.ambient, after) - np.array(one.place))
            for term in one.terms:
                key = (term.head, term.place, term.facing, term.dome, after)
                row.append(number)
                path.append(known.setdefault(key, len(known)))
                lamp.append(lamps.setdefault((term.head, term.level, after), len(lamps)))
        stood = np.array([self.stood(key[0], key[4]) for key in known], dtype=np.float64).reshape(-1, 3)
        return Quantities(
            np.array(row, dtype=np.intp),
            np.array(path, dtype=np.intp),
            np.array(lamp, dtype=np.intp),
            np.array([key[0] for key in lamps], dtype=np.intp),
            np.array([key[1] for key in lamps], dtype=np.float64),
            np.array([key[2] for key in lamps], dtype=np.bool_).reshape(len(lamps), len(self.steps)),
            np.array([self.label(key[0], key[2]) for key in lamps], dtype=np.float64),
            LightPaths(
                np.array([key[0] for key in known], dtype=np.intp),
                np.array([key[1] for key in known], dtype=np.float64).reshape(-1, 3),
                np.array([self.target(key[2], key[4]) for key in known], dtype=np.float64).reshape(-1, 3),
                np.array([key[3] for key in known], dtype=np.bool_),
                np.array([key[4] for key in known], dtype=np.bool_).reshape(len(known), len(self.steps)),
                stood,
                unit(self.prior.aims[[key[0] for key in known]] - stood),
            ),
            np.array([one.place for one in wanted], dtype=np.float64).reshape(-1, 3),
            sky,
            np.array([one.dome for one in wanted], dtype=np.bool_),
            np.array([one.metered for one in wanted], dtype=np.bool_),
            np.array([one.daylight for one in wanted], dtype=np.float64),
        )

    def direct(self, there: Figures, paths: LightPaths) -> PerCandela:
        """Direct light along paths per candela, and its slopes."""
        setback = there.setback_m[paths.head] + _stepped(there.moves_m, paths.head, paths.after)
        return per_candela(paths, self.prior.sources, setback, there.lit_share)

    def lux(self, there: Figures, wanted: Quantities) -> FloatArray:
        """Lux of the quantities (m,)."""
        paths = wanted.paths
        setback = there.setback_m[paths.head] + _stepped(there.moves_m, paths.head, paths.after)
        direct = lux_per_candela(paths, self.prior.sources, setback, there.lit_share)
        room = there.room_gain[wanted.head] * _room_shape(there, wanted)
        log2 = there.dimmers.log2_output(wanted.lamp_head, np.maximum(wanted.lamp_level, LEAST_LEVEL))
        terms = _candela(there, wanted, log2) * (direct[wanted.path] + room)
        light = np.bincount(wanted.row, terms, minlength=len(wanted)) + self.ambient_lux(there, wanted)
        return np.asarray(light * self._shown(there.z, wanted))

    def lux_and_slopes(
        self, there: Figures, wanted: Quantities, direct: PerCandela | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Lux of the quantities (m,) and its slopes in the unknowns (m, size).

        `direct`, where it is at hand, is that of the paths of the quantities in this studio.
        """
        lux, by, deeper = self._terms(there, wanted, direct)
        of_heads = np.zeros((len(wanted), self.heads, PER_HEAD))
        of_heads[wanted.row, wanted.head] = by
        total = np.bincount(wanted.row, lux, minlength=len(wanted)) + self.ambient_lux(there, wanted)
        every = np.concatenate(
            [
                of_heads.reshape(len(wanted), self.heads * PER_HEAD),
                self._shared_slopes(there, wanted, total),
                self._step_slopes(wanted, lux, deeper),
            ],
            axis=1,
        )
        shown = self._shown(there.z, wanted)
        return total * shown, every * shown[:, None]

    def alone_and_slopes(
        self, there: Figures, wanted: Quantities, direct: PerCandela | None = None
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Lux of quantities (m,) of one head each, in order, without ambient light, and its slopes in the
        unknowns of that head (m, PER_HEAD) and in the steps (m, k)."""
        lux, by, deeper = self._terms(there, wanted, direct)
        return lux, by, self._step_slopes(wanted, lux, deeper)

    def _terms(
        self, there: Figures, wanted: Quantities, direct: PerCandela | None
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Lux of each term (t,), and its slopes in the unknowns of its head (t, PER_HEAD) and in that head's
        depth [lux/m] (t,)."""
        per_cd = self.direct(there, wanted.paths) if direct is None else direct
        head, path = wanted.head, wanted.path
        level = np.maximum(wanted.lamp_level, LEAST_LEVEL)
        log2, by_knots = there.dimmers.log2_and_slopes(wanted.lamp_head, level)
        candela = _candela(there, wanted, log2)
        shape = _room_shape(there, wanted)
        gain = there.room_gain[head]
        lux = candela * (per_cd.lux[path] + gain * shape)
        deeper = candela * per_cd.by_setback[path]
        by = np.empty((len(path), PER_HEAD))
        by[:, INTENSITY] = lux * (LN2 * INTENSITY_SD_STOPS)
        by[:, SETBACK] = deeper * there.setback_slope[head]
        by[:, STAND] = deeper * TAPE_SD_M
        by[:, LIT_SHARE] = candela * per_cd.by_share[path] * there.share_slope[head]
        by[:, ROOM] = candela * gain * shape * self.prior.log_room[1][head]
        toward = np.einsum("tk,tkl->tl", wanted.paths.axis[path], there.room_turn[head])
        by[:, ROOM_X : ROOM_X + 3] = 2 * DIRECTION_SD * (candela * gain * (shape > 0))[:, None] * toward
        by[:, FIGURES:] = (lux * LN2)[:, None] * by_knots[wanted.lamp]
        return lux, by, deeper

    def ambient_lux(self, there: Figures, wanted: Quantities) -> FloatArray:
        """The part of the quantities (m,) that stays with all heads out [lux]."""
        window = there.window.on(wanted.place, wanted.sky, wanted.dome) * wanted.under_sky
        return np.asarray(_ambient(there, wanted) + window)

    def _shared_slopes(self, there: Figures, wanted: Quantities, total: FloatArray) -> FloatArray:
        """Slopes of the quantities (m,) in what heads share (m, SHARED)."""
        found = np.zeros((len(wanted), SHARED))
        ambient = _ambient(there, wanted)
        found[:, AMBIENT] = ambient * self.prior.ambient_lux[1]
        toward = 2 * AMBIENT_DIRECTION_SD * there.ambient_lux * wanted.sky @ there.ambient_turn
        found[:, AMBIENT_X:WINDOW_X] = toward * (wanted.daylight * (ambient > 0))[:, None]
        found[:, WINDOW_X : WINDOW_AWAY + 1] = self._window_slopes(there, wanted)
        found[:, METER] = total * (LN2 * METER_SD_STOPS) * wanted.metered
        found[:, DOME] = total * (LN2 * DOME_SD_STOPS) * (wanted.metered & wanted.dome)
        return found

    def _step_slopes(self, wanted: Quantities, lux: FloatArray, deeper: FloatArray) -> FloatArray:
        """Slopes of the quantities (m,) in the steps (m, k)."""
        found = np.zeros((len(wanted), len(self.steps)))
        if self.steps:
            moved, changed = self.by_step("moved"), self.by_step("changed")
            by = deeper[:, None] * moved[wanted.head] + (lux * LN2)[:, None] * changed[wanted.head]
            np.add.at(found, wanted.row, by * wanted.paths.after[wanted.path])
        return found

    def _window_slopes(self, there: Figures, wanted: Quantities) -> FloatArray:
        """Slopes of a window's light in the quantities (m, WINDOW_AWAY + 1 - WINDOW_X) in its unknowns."""
        own = self.shared(there.z)[WINDOW_X : WINDOW_AWAY + 1]
        tried = np.concatenate([own[None], own + _STEP * np.eye(len(own))])
        toward, away = _windows(tried)
        steps = wanted.place - np.array(self.rig.first_mark)
        lux = window_lux(toward, away, steps, wanted.sky, wanted.dome) * wanted.under_sky
        return np.asarray(((lux[1:] - lux[0]) / _STEP).T)

    def _shown(self, z: FloatArray, wanted: Quantities) -> FloatArray:
        """The meter's display over the light that is there, for quantities (m,)."""
        own = self.shared(z)
        stops = METER_SD_STOPS * own[METER] + DOME_SD_STOPS * own[DOME] * wanted.dome
        return np.asarray(np.exp2(stops * wanted.metered))


def _stepped(steps: FloatArray, head: IntArray, after: BoolArray) -> FloatArray:
    """The effect on heads (t,) of the steps (n, k) that came before."""
    return np.asarray((steps[head] * after).sum(axis=1))


def _candela(there: Figures, wanted: Quantities, log2_output: FloatArray) -> FloatArray:
    """Intensity of the head of each term (t,) [cd], by the outputs of the lamps (l,); at level 0 there is
    none, whatever the dimmer."""
    head = wanted.lamp_head
    changes = _stepped(there.changes_stops, head, wanted.lamp_after)
    log2_cd = there.log2_cd[head] + wanted.lamp_label + changes
    return np.asarray(np.exp2(log2_cd + log2_output) * (wanted.lamp_level > 0))[wanted.lamp]


def _room_shape(there: Figures, wanted: Quantities) -> FloatArray:
    """Room light on the receptor of each term (t,) over its mean."""
    paths = wanted.paths
    leaning = np.einsum("pk,pk->p", paths.axis, there.room_lean[paths.head])
    return np.asarray(np.maximum(np.where(paths.dome, 2.0, 1.0) + 2 * leaning, 0.0)[wanted.path])


def _ambient(there: Figures, wanted: Quantities) -> FloatArray:
    """The ambient light in the quantities (m,), without a window's [lux]."""
    shape = np.where(wanted.dome, 2.0, 1.0) + 2 * wanted.sky @ there.ambient_lean
    return np.asarray(there.ambient_lux * np.maximum(shape, 0.0) * wanted.under_sky)


def _windows(unknowns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Light of windows at the first mark, by direction (w, 3) [lux], and their distances (w,) [m], by their
    unknowns (w, 4)."""
    own = np.clip(unknowns, -_FARTHEST_WINDOW, _FARTHEST_WINDOW)
    toward = WINDOW_LUX * np.sinh(WINDOW_GROWTH * own[:, :3])
    return toward, WINDOW_AWAY_M * np.exp(WINDOW_AWAY_SD * own[:, 3])


def leans(w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Numbers (n, 3) as vectors shorter than 1 (n, 3), and their slopes (n, 3, 3)."""
    length = np.sqrt(1 + np.einsum("nk,nk->n", w, w))[:, None]
    outer = np.einsum("nk,nl->nkl", w, w) / length[:, :, None] ** 3
    return w / length, np.eye(3) / length[:, :, None] - outer


def model_of(rig: Rig, steps: Sequence[HeadStep] = ()) -> Model:
    """The unknowns of a rig to which steps were taken."""
    targets = {head.name: np.array(head.position) for head in rig.heads}
    targets[CAMERA] = np.array(rig.camera.position)
    return Model(rig, tuple(head.name for head in rig.heads), prior(rig), targets, tuple(steps))
