"""Contract: a frame leaves when it is made, so that at rest the last one has left."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager

import pytest

import rigs
from fillside_drivers.sacn.sender import SacnDriver
from simulation import stories
from simulation.checks.light_checks import steady_light
from simulation.stories import Act, Story
from simulation.studio.lamps import Lamp
from simulation.world import Check, World, play

LEAVES_WITHIN_S = 0.0051
"""A frame may wait 5 ms for its wire."""
ORDERED_S = 3.0


def _story(acts: tuple[Act, ...], order_speed: float = 1.0) -> Story:
    """Return a story of a key and a fill on one universe."""
    places = {"key": (0.6, -0.85, 1.8), "fill": (-0.88, -1.3, 1.5)}
    rig = rigs.studio(
        heads=[
            rigs.head_at(
                name,
                place,
                role=name,
                aim=(0.0, 0.0, 1.2),
                intensity=3000.0,
                modifier={"diameter": 0.0, "spread": 0.0},
                dimming=rigs.dimming(0.02, "square"),
                drive={"driver": "stage", "universe": 1, "slot": slot, "bits": 16},
            )
            for name, place, slot in ((*places.popitem(), 1), (*places.popitem(), 3))
        ],
        drivers={"stage": {"kind": "sacn", "to": ["10.0.0.9"]}},
        balance={"ratio": 2.0, "exposure": 300.0},
        hold={"order_speed": order_speed},
    )
    return Story(1, rig, acts, 7.0)


def _trim(at_s: float, stops: float) -> Act:
    return Act(at_s, "order", {"do": "trim", "role": "key", "to": stops})


def _noting(ages_s: list[float], made_s: dict[int, float]) -> Check:
    """Note how long each code of the key has waited when it leaves; `made_s` is when each was made."""

    @asynccontextmanager
    async def note(world: World) -> AsyncIterator[None]:
        def left(lamp: Lamp, before: int | None, code: int) -> None:
            if world.now > ORDERED_S:
                ages_s.append(world.now - made_s[code])

        world.lamps["key"].on_code.append(left)
        yield

    return note


@pytest.mark.parametrize(
    "later_s", [0.2, 0.203, 0.207, 0.211, 0.215, 0.219, 0.51, 0.52, 0.53, 0.54, 0.55, 0.56]
)
def test_the_frames_of_a_fade_leave_when_they_are_made(
    later_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whenever the next order comes: during a fade, or just after it, while its last value is repeated."""
    stories.load_areas()
    ages_s: list[float] = []
    made_s: dict[int, float] = {}
    send = SacnDriver._send

    def make(driver: SacnDriver, codes: Mapping[str, int]) -> None:
        made_s[codes["key"]] = asyncio.get_running_loop().time()
        send(driver, codes)

    monkeypatch.setattr(SacnDriver, "_send", make)
    story = _story((_trim(ORDERED_S, -0.5), _trim(ORDERED_S + later_s, -1.0)))
    play(story, [_noting(ages_s, made_s)])
    assert len(ages_s) > 30
    assert [round(each, 4) for each in ages_s if each > LEAVES_WITHIN_S][1:] == []


@pytest.mark.parametrize("after_s", [0.16, 0.165, 0.17, 0.175, 0.18])
@pytest.mark.parametrize("stalls_s", [0.1, 0.3])
def test_a_stall_while_the_buffers_are_full_makes_no_step(after_s: float, stalls_s: float) -> None:
    """Full buffers drop a frame or two before that is told, and the lamps go on from before these."""
    stories.load_areas()
    stalls = Act(ORDERED_S + after_s, "stall", {"s": stalls_s})
    for full_s in (0.01, 0.02, 0.03):
        full = Act(stalls.at_s - full_s, "no network", {"why": "full", "s": full_s + 0.02})
        acts = (Act(ORDERED_S, "order", {"do": "dark"}), full, stalls)
        outcome = play(_story(acts, order_speed=3.0), [steady_light])
        assert outcome.failed is None, outcome.told()
