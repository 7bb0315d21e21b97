"""Changes since a studio was believed: the most probable story behind new readings and tape measures.

A story says that a lamp gives more or less, that a stand went farther off or nearer, that the room sends back
more or less, that one reading is a slip, or nothing of that. New evidence errs normally about what the belief
foretells, with covariance R C R' + N. A story shifts that by what the forward model makes of its size, and
its probability is its prior times the likelihood with the size integrated out (D. J. C. MacKay, Neural
Computation 4, 1992). Several changes are found one after the other, each beside those that are more probable.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fillside.belief.belief import Belief
from fillside.belief.daylight import Sky, told_lux
from fillside.belief.evidence import Reading, SensorValue, TapeMeasure
from fillside.belief.forward.model import LN2, Model
from fillside.belief.forward.priors import AMBIENT, CHANGED_STOPS, MOVED_M, ROOM
from fillside.belief.forward.quantities import HeadStep, Quantities, Term, Wanted
from fillside.belief.hypotheses import SLIP_STOPS
from fillside.belief.observations import (
    DAYLIGHT_DAYS,
    DAYLIGHT_DRIFT_STOPS,
    MEASURED_SD_M,
    hand_slopes,
    meter_sd_expected,
    meter_sd_of,
    model_sd,
    own_sd,
    stops,
    stops_slopes,
    wanted_of,
)
from fillside.belief.posterior import tape_row

FloatArray = NDArray[np.float64]
Seen = Reading | TapeMeasure | SensorValue
Kind = Literal["lamp", "stand", "room", "slip"]

PROBABILITIES: dict[Kind, float] = {"lamp": 0.05, "stand": 0.05, "room": 0.02, "slip": 0.03}
"""Of each head that its lamp, or its stand, is not as it was; of the room; of each reading that it is a slip.
Common practice, no source."""
CONVINCED = 0.8
"""Share of the probability of two stories from which one of them is told."""
DECIDED = 0.95
"""Probability from which a story is told without another question."""
SENSOR_SD_STOPS = 0.03
"""How far one value of a sensor strays, beside what it is off by all the time; common practice, no source."""
ROOM_CHANGED_STOPS = 0.7
"""Standard deviation of a changed room's light."""
_FARTHEST_SD, _NODES, _SIZES = 2.6, 15, 261
"""How far the size of a change is looked for, the sizes at which the model is asked, and those between
them."""
_MOST_CHANGES = 3
_TAILS_SD, _QUADRATURE = 4.5, 801
"""How far out answers are looked for, and at how many values."""


@dataclass(frozen=True)
class Change:
    """A change that is believed, with its probability and its size.

    `of` is the head, or for a slip the place of the reading; None for the room. `size` is in stops that the
    lamp or the room gives more, metres that the stand is farther off, or stops that the reading shows more.
    `rival` is the other story of the same head where what was read does not part the two.
    """

    kind: Kind
    of: int | None
    probability: float
    size: float
    size_sd: float
    rival: Change | None = None


@dataclass(frozen=True)
class Story:
    """A change with its prior, the sizes that it may have (g,), their weights (g,), and the effect of
    each on observations and questions (g, l)."""

    kind: Kind
    of: int | None
    prior: float
    sizes: FloatArray
    weights: FloatArray
    effects: FloatArray


@dataclass(frozen=True)
class Told:
    """A story told: its probability, and the weights (g,) of its sizes after the evidence."""

    story: Story | None
    probability: float
    weights: FloatArray


class NewEvidence:
    """Readings and tape measures taken after a studio was believed (l), held against that belief.

    The first `answered` are what was seen, the others are questions, whose values do not count. `days` is the
    time since the belief, in which daylight may have become another. `z` are the unknowns about which the
    model is taken to be linear, by default those of the belief.
    """

    def __init__(
        self,
        belief: Belief,
        seen: Sequence[Seen],
        asked: Sequence[Seen] = (),
        days: float = 0.0,
        z: FloatArray | None = None,
    ) -> None:
        self.belief, self.seen, self.answered, self._days = belief, (*seen, *asked), len(seen), days
        self.z = belief.z if z is None else z
        self._figures = belief.figures if z is None else belief.model.figures(z)
        self._lights = [one for one in self.seen if not isinstance(one, TapeMeasure)]
        self._tapes = [(i, one) for i, one in enumerate(self.seen) if isinstance(one, TapeMeasure)]
        self._by_tape = np.array([isinstance(one, TapeMeasure) for one in self.seen], dtype=np.bool_)
        self._here = self._quantities(belief.model)

    @cached_property
    def _lux_and_slopes(self) -> tuple[FloatArray, FloatArray]:
        return self.belief.model.lux_and_slopes(self._figures, self._here)

    @cached_property
    def rows(self) -> FloatArray:
        """Slopes in the unknowns (l, size): stops of readings, metres of tapes."""
        model = self.belief.model
        found = np.zeros((len(self.seen), model.size))
        found[~self._by_tape] = stops_slopes(*self._lux_and_slopes)
        for i, tape in self._tapes:
            found[i] = tape_row(model, model.names.index(tape.head), (True,) * len(model.steps))
        return found

    @cached_property
    def off(self) -> FloatArray:
        """The observations (l,) less what the belief foretells [stops, metres]; 0 for questions."""
        found, (shown, _) = np.zeros(len(self.seen)), self.shown
        read = np.flatnonzero(~self._by_tape)[: len(shown)]
        found[read] = shown - stops(self._lux_and_slopes[0][: len(shown)])
        for i, tape in self._tapes:
            found[i] = tape.distance_m - self.expected[i] if i < self.answered else 0.0
        return found

    @cached_property
    def expected(self) -> FloatArray:
        """The values that the belief foretells (l,): lux of a meter, metres of a tape."""
        found = np.zeros(len(self.seen))
        found[~self._by_tape] = self._lux_and_slopes[0]
        for i, tape in self._tapes:
            away = math.dist(self.belief.rig.head(tape.head).position, tape.at)
            found[i] = away + float(self.rows[i] @ self.z)
        return found

    def _moved(self, model: Model, z: FloatArray) -> FloatArray:
        """The change (l,) of what meters show in the studio that other unknowns stand for [stops]; 0 for a
        tape."""
        found, lux = np.zeros(len(self.seen)), model.lux(model.figures(z), self._quantities(model))
        found[~self._by_tape] = stops(lux) - stops(self._lux_and_slopes[0])
        return found

    def _quantities(self, model: Model) -> Quantities:
        return model.quantities([_wanted(one, model, self.belief.sky) for one in self._lights])

    @cached_property
    def shown(self) -> tuple[FloatArray, FloatArray]:
        """The values of meters (r,) on the scale of `stops`, and their uncertainty by meter and display."""
        lights = [one for one in self.seen[: self.answered] if not isinstance(one, TapeMeasure)]
        readings = [one for one in lights if isinstance(one, Reading)]
        by_hand = np.array([isinstance(one, Reading) for one in lights], dtype=np.bool_)
        shown, sd = np.empty(len(by_hand)), np.full(len(by_hand), SENSOR_SD_STOPS)
        shown[by_hand], sd[by_hand] = meter_sd_of(readings, self.belief.model)
        shown[~by_hand] = stops(np.array([one.lux for one in lights if isinstance(one, SensorValue)]))
        return shown, sd

    @cached_property
    def by_sensor(self) -> NDArray[np.bool_]:
        """True for values of a sensor in a fixed place (l,)."""
        return np.array([isinstance(one, SensorValue) for one in self.seen], dtype=np.bool_)

    @cached_property
    def _by_hand_stops_m(self) -> FloatArray:
        """The change of each observation (l,) per metre that the receptor is off [stop/m]; 0 for a tape."""
        model, found = self.belief.model, np.zeros(len(self.seen))
        found[~self._by_tape] = hand_slopes(model, self._figures, self._here)
        return found

    @cached_property
    def own_sd(self) -> FloatArray:
        """Standard uncertainty of each alone (l,): by meter, hand and the errors of the model, or by the
        tape."""
        model, found = self.belief.model, np.full(len(self.seen), MEASURED_SD_M)
        coarse = model_sd(model, self._figures, self._here, self._lux_and_slopes[0])
        held = np.where(self.by_sensor, 0.0, self._by_hand_stops_m)[~self._by_tape]
        meter, (_, shown) = (
            meter_sd_expected(self.belief.rig.meter.sigma, self._lux_and_slopes[0]),
            self.shown,
        )
        meter[: len(shown)] = shown
        found[~self._by_tape] = own_sd(meter, held, self.belief.hand_sd_m, coarse)
        return found

    @cached_property
    def errors(self) -> FloatArray:
        """Covariance of the errors (l, l); those of a sensor by its scale and its place are the same all
        the time."""
        put = self.belief.hand_sd_m * self._by_hand_stops_m * self.by_sensor
        scale = self.belief.rig.meter.sigma * self.by_sensor
        return np.asarray(np.diag(self.own_sd**2) + np.outer(put, put) + np.outer(scale, scale))

    @cached_property
    def foretold(self) -> FloatArray:
        """Covariance of what the belief foretells (l, l)."""
        ambient = self.rows[:, self.belief.model.index_of_shared(AMBIENT)]
        untold = [isinstance(one, Reading) and told_lux(one, self.belief.rig) is None for one in self.seen]
        share = ambient / self.belief.model.prior.ambient_lux[1] / LN2 * np.array(untold, dtype=np.bool_)
        walked = DAYLIGHT_DRIFT_STOPS**2 * min(self._days, DAYLIGHT_DAYS)
        return self.belief.posterior.covariance(self.rows, self.rows) + walked * np.outer(share, share)

    @cached_property
    def heads(self) -> tuple[int, ...]:
        """The heads that the evidence is of."""
        names = self.belief.model.names
        found = {n for one in self.seen for n in ((one.head,) if isinstance(one, TapeMeasure) else one.heads)}
        return tuple(names.index(name) for name in names if name in found)

    @cached_property
    def stories(self) -> tuple[Story, ...]:
        """Every change that could be behind the evidence, one at a time."""
        return tuple(self._stories())

    def _stories(self) -> Iterator[Story]:
        rig = self.belief.rig
        for head in self.heads:
            yield self._of_head("lamp", head, "changed", CHANGED_STOPS)
            yield self._of_head("stand", head, "moved", MOVED_M)
        if any(self.belief.model.prior.log_room[1] > 0) and rig.heads:
            yield self._of_room()
        for place in np.flatnonzero(~self._by_tape[: self.answered]).tolist():
            nodes = SLIP_STOPS * np.linspace(-_FARTHEST_SD, _FARTHEST_SD, _NODES)
            effects = np.zeros((_NODES, len(self.seen)))
            effects[:, place] = nodes
            yield _story("slip", place, nodes, effects)

    def _of_head(self, kind: Kind, head: int, step: str, size: float) -> Story:
        """The story of one head, in the model with one step more."""
        belief = self.belief
        model = replace(belief.model, steps=(*belief.model.steps, HeadStep(head, step)))
        nodes = np.linspace(-_FARTHEST_SD, _FARTHEST_SD, _NODES)
        effects = np.stack([self._moved(model, np.append(self.z, node)) for node in nodes])
        if kind == "stand":
            for i, tape in self._tapes:
                effects[:, i] += size * nodes * (tape.head == model.names[head])
        return _story(kind, head, size * nodes, effects)

    def _of_room(self) -> Story:
        """The story of a room that sends more or less of every lamp's light back."""
        model = self.belief.model
        rooms = np.array([model.head_block(i).start + ROOM for i in range(model.heads)])
        nodes = ROOM_CHANGED_STOPS * np.linspace(-_FARTHEST_SD, _FARTHEST_SD, _NODES)
        per_stop = np.zeros(model.size)
        per_stop[rooms] = LN2 / model.prior.log_room[1]
        effects = np.stack([self._moved(model, self.z + node * per_stop) for node in nodes])
        return _story("room", None, nodes, effects)


def _wanted(one: Seen, model: Model, sky: Sky | None) -> Wanted:
    if isinstance(one, Reading):
        return wanted_of(one, model, sky=sky)
    assert isinstance(one, SensorValue), "a tape measure shows no light"
    heads = zip(one.heads, one.levels, strict=True)
    terms = [Term(model.names.index(name), level, one.at, one.faced, one.is_dome) for name, level in heads]
    return Wanted(tuple(terms), one.at, one.faced, one.is_dome, metered=True, daylight=one.daylight)


def _story(kind: Kind, of: int | None, nodes: FloatArray, effects: FloatArray) -> Story:
    """A story from its effects at a few sizes (n,), with many between them."""
    sizes = np.linspace(nodes[0], nodes[-1], _SIZES)
    weights = np.exp(-0.5 * np.linspace(-_FARTHEST_SD, _FARTHEST_SD, _SIZES) ** 2)
    between = np.stack([np.interp(sizes, nodes, own) for own in effects.T], axis=1)
    return Story(kind, of, PROBABILITIES[kind], sizes, weights / weights.sum(), between)


@dataclass(frozen=True)
class Judgement:
    """The stories behind new evidence.

    Attributes:
        changes: the changes that are believed, the most probable first.
        told: every story that is left beside them, with None for nothing more, the most probable first.
        off: what they leave to be explained (l,).
        spread: how that errs (l, l).
    """

    changes: tuple[Change, ...]
    told: tuple[Told, ...]
    off: FloatArray
    spread: FloatArray

    @property
    def decided(self) -> bool:
        """True if hardly anything else has changed; a slip is no change."""
        sound = [one.probability for one in self.told if one.story is None or one.story.kind == "slip"]
        return sum(sound) >= DECIDED


def judge(evidence: NewEvidence, least: float = 0.0) -> Judgement:
    """Find the most probable changes behind new evidence one after the other, each at least this
    probable."""
    off, spread = evidence.off, evidence.foretold + evidence.errors
    stories, changes = list(evidence.stories), list[Change]()
    while True:
        told = _told(stories, off, spread, evidence.answered)
        best = told[0]
        if best.story is None or best.probability < least or len(changes) == _MOST_CHANGES:
            return Judgement(tuple(changes), tuple(told), off, spread)
        story, weights = best.story, best.weights
        changes.append(_change(best, told))
        mean = weights @ story.effects
        off = off - mean
        spread = spread + ((story.effects - mean).T * weights) @ (story.effects - mean)
        stories.remove(story)


def _change(best: Told, told: Sequence[Told]) -> Change:
    story = best.story
    assert story is not None, "something changed"
    size = float(best.weights @ story.sizes)
    sd = math.sqrt(float(best.weights @ (story.sizes - size) ** 2))
    rivals = [
        one
        for one in told
        if one.story is not None
        and one.story is not story
        and one.story.of == story.of
        and story.kind != "slip"
        and one.story.kind in ("lamp", "stand")
        and best.probability < CONVINCED * (best.probability + one.probability)
    ]
    rival = _change(rivals[0], ()) if rivals else None
    return Change(story.kind, story.of, best.probability, size, sd, rival)


def _told(stories: Sequence[Story], off: FloatArray, spread: FloatArray, answered: int) -> list[Told]:
    """The stories with their probabilities by the answered part of the evidence, the most probable first."""
    root = np.linalg.cholesky(spread[:answered, :answered])
    left = np.linalg.solve(root, off[:answered])
    scores, weights = [math.log(1 - sum(story.prior for story in stories)) - 0.5 * float(left @ left)], []
    for story in stories:
        moved = np.linalg.solve(root, story.effects[:, :answered].T)
        logs = np.log(story.weights) - 0.5 * np.square(left[:, None] - moved).sum(axis=0)
        most = float(logs.max())
        weights.append(np.exp(logs - most) / np.exp(logs - most).sum())
        scores.append(math.log(story.prior) + most + math.log(float(np.exp(logs - most).sum())))
    shares = np.exp(np.array(scores) - max(scores))
    shares /= shares.sum()
    found = [Told(None, float(shares[0]), np.ones(1))]
    found += [Told(s, float(p), w) for s, p, w in zip(stories, shares[1:], weights, strict=True)]
    return sorted(found, key=lambda one: -one.probability)


def worth_asking(evidence: NewEvidence, judgement: Judgement) -> FloatArray:
    """Return the mutual information of each question's answer (q,) and the stories that are left [nats].

    Within a story an answer counts as normal, with the mean and the variance that the story's sizes give it.
    """
    first = evidence.answered
    inverse = np.linalg.inv(judgement.spread[:first, :first])
    shared = judgement.spread[first:, :first]
    gain = shared @ inverse
    own = np.diag(judgement.spread[first:, first:] - gain @ shared.T)
    foretold = gain @ judgement.off[:first]
    means, variances = [], []
    for told in judgement.told:
        shift, wide = np.zeros(len(own)), own
        if told.story is not None:
            ways = told.story.effects[:, first:] - told.story.effects[:, :first] @ gain.T
            shift = told.weights @ ways
            wide = own + told.weights @ (ways - shift) ** 2
        means.append(foretold + shift)
        variances.append(wide)
    share = np.array([told.probability for told in judgement.told])
    pairs = zip(np.array(means).T, np.sqrt(np.array(variances)).T, strict=True)
    return np.array([_mutual_information(share, mean, sd) for mean, sd in pairs])


def _mutual_information(share: FloatArray, mean: FloatArray, sd: FloatArray) -> float:
    """Return the mutual information [nats] of a value and the one of several normal distributions (s,) that
    it comes from; by quadrature."""
    where = np.linspace((mean - _TAILS_SD * sd).min(), (mean + _TAILS_SD * sd).max(), _QUADRATURE)
    density = np.exp(-0.5 * ((where - mean[:, None]) / sd[:, None]) ** 2) / sd[:, None]
    mixed = np.maximum(share @ density, 1e-300)
    logs = np.log(np.maximum(density, 1e-300) / mixed)
    step = (where[1] - where[0]) / math.sqrt(2 * math.pi)
    return float(share @ (density * logs).sum(axis=1) * step)
