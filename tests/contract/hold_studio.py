"""A studio for the hold's tests: a rig of point lamps, a clock that is only counted, and an observer.

Lamps are points with the same intensity all round, so that the light anywhere follows from the inverse-
square law alone, worked out here anew. The observer knows only which codes went out when."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import pytest

from fillside.hold.contract import OrderAnswer
from fillside.hold.machine.hold import Hold
from fillside.orders.answers import Refusal
from fillside.orders.light import SubjectReport
from fillside.orders.parsing import parse_order
from fillside.rig.tables.model import Rig

Codes = tuple[int, ...]
CHAIR = (0.0, 0.0, 1.2)
DESK = (0.6, 0.3, 1.25)
KEY_AT, FILL_AT = (0.6, -0.85, 1.8), (-0.88, -1.3, 1.5)
"""1.2 m and 1.6 m from the chair, as near as two digits go."""
HAIR_AT, HOUSE_AT = (0.4, 1.3, 2.3), (0.0, 0.0, 3.5)
CANDELAS = 3000.0
CURVES: dict[str, Callable[[float], float]] = {
    "square": lambda level: level * level,
    "linear": lambda level: level,
    "log": lambda level: 10 ** (3 * (level - 1)) if level > 0 else 0.0,
}
"""The curves' definitions, not the product's."""


def studio(*, bits: int = 16, curve: str = "square", floor: float = 0.01, **tables: Any) -> Rig:
    """Key, fill, hair and a work light; tables such as hold={"pace": "quick"} are laid over the rig's."""
    heads = [
        ("key", "key", KEY_AT),
        ("fill", "fill", FILL_AT),
        ("hair", "hair", HAIR_AT),
        ("house", "work", HOUSE_AT),
    ]
    rig: dict[str, Any] = {
        "rig": {"name": "corner"},
        "camera": {"position": (0.0, -2.4, 1.4), "iso": 400.0, "shutter": "1/50", "aperture": 4.0},
        "marks": {"chair": CHAIR, "desk": DESK},
        "heads": [
            {
                "name": name,
                "role": role,
                "position": place,
                "aim": CHAIR,
                "intensity": CANDELAS,
                "modifier": {"diameter": 0.0, "spread": 0.0},
                "dimming": {"curve": curve, "floor": floor},
                "drive": {"driver": "side" if role == "fill" else "stage", "bits": bits},
            }
            for name, role, place in heads
        ],
        "drivers": {"stage": {"kind": "sacn"}, "side": {"kind": "sacn"}},
    }
    for table, content in tables.items():
        rig[table] = {**rig.get(table, {}), **content}
    return Rig.model_validate(rig)


def light(rig: Rig, codes: Sequence[int], place: Sequence[float]) -> dict[str, float]:
    """Lux from each head alone on a flat receptor facing it."""
    return {
        head.name: output(rig, i, codes[i]) * CANDELAS / math.dist(head.position, place) ** 2
        for i, head in enumerate(rig.heads)
    }


def output(rig: Rig, head: int, code: int) -> float:
    """The share of its full light that a head gives at a code."""
    drive = rig.heads[head].drive
    assert drive is not None
    curve = rig.heads[head].dimming.curve
    assert isinstance(curve, str)
    return CURVES[curve](code / (2**drive.bits - 1))


class Studio:
    """A hold with a counted clock that keeps every frame: (time, codes)."""

    def __init__(self, rig: Rig, stored: object = None, now: float = 1000.0) -> None:
        self.rig, self.now = rig, now
        self.hold = Hold(rig, stored, now)
        self.frames: list[tuple[float, Codes]] = [(now, self.hold.codes)]

    def do(self, what: str | dict[str, Any], **more: Any) -> OrderAnswer:
        """Give an order, and the tick that comes at once after it."""
        said = {"do": what, **more} if isinstance(what, str) else what
        answer = self.hold.order(parse_order(said), self.now)
        self.tick()
        return answer

    def see(self, place: Iterable[float]) -> None:
        """A tracker's report."""
        x, y, z = place
        self.hold.order(SubjectReport(do="subject", to=(float(x), float(y), float(z))), self.now)
        if self.hold.wake_in(self.now) == 0:
            self.tick()

    def event(self, event: Any) -> None:
        self.hold.event(event, self.now)
        self.tick()

    def tick(self) -> None:
        codes = self.hold.tick(self.now)
        if codes is not None:
            self.frames.append((self.now, codes))

    def wait(self, seconds: float) -> None:
        """Let time pass, ticking whenever the hold asks for it."""
        end = self.now + seconds
        while (wake := self.hold.wake_in(self.now)) is not None and self.now + wake <= end:
            self.now += wake
            self.tick()
        self.now = end

    def settle(self, at_most: float = 60.0) -> float:
        """Wait until nothing moves; how long that took."""
        start = self.now
        while (wake := self.hold.wake_in(self.now)) is not None:
            assert self.now - start < at_most, "the light does not come to rest"
            self.now += wake
            self.tick()
        return self.now - start

    @property
    def codes(self) -> Codes:
        return self.hold.codes

    @property
    def state(self) -> dict[str, Any]:
        """The state as a door would send it."""
        shown: dict[str, Any] = self.hold.snapshot().model_dump(mode="json")
        return shown

    def ratio_stops(self, place: Sequence[float] = CHAIR) -> float:
        lux = light(self.rig, self.codes, place)
        return math.log2(lux["key"] / lux["fill"])

    def refusal(self, what: str | dict[str, Any], **more: Any) -> Refusal:
        """The refusal of an order, which must have changed nothing."""
        before = self.hold.remember(), self.hold.wake_in(self.now), self.state
        with pytest.raises(Refusal) as refused:
            self.hold.order(parse_order({"do": what, **more} if isinstance(what, str) else what), self.now)
        assert (self.hold.remember(), self.hold.wake_in(self.now), self.state) == before
        assert refused.value.message.isprintable()
        return refused.value


def most_turns_in_a_second(times: Sequence[float], outputs: Sequence[float]) -> int:
    """Most turns of one head's light in any second, both ends counted.

    A turn counts once log2(max(output, 0.01)) has gone back more than 0.1 stop from its extreme. Which way
    the light was going at first is not known; the first way it goes is no turn."""
    stops = [math.log2(max(value, 0.01)) for value in outputs]
    turned: list[float] = []
    way, high, low = 0, stops[0], stops[0]
    for time, value in zip(times, stops, strict=True):
        high, low = max(high, value), min(low, value)
        if way >= 0 and value < high - 0.1:
            turned += [time] if way else []
            way, low, high = -1, value, value
        elif way <= 0 and value > low + 0.1:
            turned += [time] if way else []
            way, low, high = 1, value, value
    return max(
        (sum(1 for other in turned if time - 1 <= other <= time) for time in turned),
        default=0,
    )


def assert_no_flash(rig: Rig, frames: Sequence[tuple[float, Codes]]) -> None:
    """What an observer of the wires may ask of any run."""
    times = [time for time, _ in frames]
    for i, head in enumerate(rig.heads):
        turns = most_turns_in_a_second(times, [output(rig, i, codes[i]) for _, codes in frames])
        assert turns <= 3, f"{head.name} turned {turns} times in a second"


def steepest_stops_per_s(rig: Rig, frames: Sequence[tuple[float, Codes]], head: int, above: float) -> float:
    """The fastest change between two frames with outputs over `above`, leaving one code of rounding out."""
    fastest = 0.0
    for (t0, a), (t1, b) in itertools.pairwise(frames):
        lo, hi = sorted((a[head], b[head]))
        if t1 > t0 and hi - lo > 1 and output(rig, head, lo) >= above:
            change = math.log2(output(rig, head, hi - 1) / output(rig, head, lo))
            fastest = max(fastest, change / (t1 - t0))
    return fastest
