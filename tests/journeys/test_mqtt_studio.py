"""Journey: a daemon with a bulb behind a real Mosquitto: brokers that die, plugs that are pulled, bulbs that
lie."""

from __future__ import annotations

import asyncio
import gc
import json
import math
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fillside.hold.fading.fader import GENTLE_STOPS_S
from fillside_drivers.mqtt import reports as sender
from journeys.forking import ENTRY, run
from journeys.mqtt_studio import FULL, SPEAKS, Studio, face_lux, steps_stops, studio
from protocol.broker import Broker, broker, needs_mosquitto
from rigs import Table

pytestmark = needs_mosquitto

STEP_STOPS = 0.1
"""What no step of a bulb by our doing may exceed."""
CODE_STOPS = 0.02
"""What one code of 1023 is at the light that is held here, and a frame of the hold."""
UNSEEN = 0.1 * FULL
"""Below a hundredth of its light, on a square curve, nobody sees steps."""
TURNS = int(os.environ.get("FILLSIDE_BROKER_TURNS", "4"))
"""How often the broker dies in a run; 20 by hand."""


def sent_since(held: Studio, when: float) -> list[int]:
    return [code for at, code in held.bulb.received if at >= when]


def no_step(held: Studio, first: int, since: float) -> bool:
    """Whether no message from that code on goes further than promised, or, where the machine had us send one
    late, than what fades gently in that time: since the message before the last, for the last may have been
    late, and its code as old as that."""
    sent = [(since, first), *((at, code) for at, code in held.sent if at >= since)]
    assert len(sent) > 1, "nothing was sent"
    news_s = [since, *(at for at, _ in sent)]
    return all(
        before < UNSEEN
        or steps_stops([before, code])[0] <= max(STEP_STOPS, GENTLE_STOPS_S * (at - news) + CODE_STOPS)
        for (_, before), (at, code), news in zip(sent, sent[1:], news_s, strict=False)
    )


@pytest.mark.parametrize("lie", ["says another level", "does not obey"])
async def test_a_bulb_that_lies_or_does_not_obey_is_shown_and_nothing_is_done_about_it(
    tmp_path: Path, lie: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sender, "OBEYS_WITHIN_S", 1.0)
    async with broker(tmp_path) as server, studio(tmp_path, server) as held:
        before, began = held.code(), time.monotonic()
        key = held.wire.wire["key"]
        if lie == "says another level":
            held.bulb.says = 20
        else:
            held.bulb.obeys = False
        await held.do(do="trim", role="fill", by=-0.3)
        await held.settled()
        await held.bulb.say(held.bulb.report())
        await held.until(lambda: held.head()["state"] == "disobeying", 12.0)
        shown = held.head()
        assert shown["says_level"] == int(held.bulb.report()) / FULL
        assert shown["works"]
        # Two clocks are compared, and one of them is slewed.
        assert began - time.monotonic() - 0.05 <= shown["since"] - time.time() <= 0.05
        # One fade to what was ordered, and until it is found not to obey nothing but the same again.
        found = time.monotonic() - (time.time() - shown["since"])
        codes = [code for at, code in held.bulb.received if began <= at < found]
        assert codes == sorted(codes, reverse=True)
        assert codes[-1] == held.code()
        assert held.wire.wire["key"] == key
        held.bulb.says, held.bulb.obeys = None, True
        await held.do(do="trim", role="fill", to=0)
        await held.until(lambda: held.head()["state"] == "ok")
        await held.settled()
        assert held.code() == before


@pytest.mark.parametrize("keys", [SPEAKS, {"alive_at": "corner/fill/alive"}], ids=["reports", "is silent"])
async def test_a_bulb_that_comes_back_at_full_is_led_down_without_a_step(tmp_path: Path, keys: Table) -> None:
    async with broker(tmp_path) as server, studio(tmp_path, server, keys) as held:
        before = held.code()
        held.bulb.pull()
        await held.until(lambda: held.head()["state"] == "lost")
        await asyncio.sleep(0.3)
        back = time.monotonic()
        held.bulb.plug_in(1.0)
        await held.until(lambda: held.head()["state"] == "ok")
        await held.until(lambda: held.code() == before, 20.0)
        await held.settled()
        assert held.code() == before
        codes = [FULL, *sent_since(held, back)]
        assert no_step(held, FULL, back)
        assert codes == sorted(codes, reverse=True)
        assert len(codes) > 10


async def test_a_bulb_that_somebody_switches_to_full_is_led_back_without_a_step(tmp_path: Path) -> None:
    asked = {**SPEAKS, "ask_to": "corner/fill/get"}
    async with broker(tmp_path) as server, studio(tmp_path, server, asked) as held:
        before = held.code()
        # What it reports while a change is new is taken for a part of that.
        await held.until(
            lambda: held.bulb.light.settles_at_s < time.monotonic() - sender.OBEYS_WITHIN_S - 0.5
        )
        changed = time.monotonic()
        held.bulb.light = type(held.bulb.light)(1.0, 0.02)
        await held.bulb.say(str(FULL))
        await held.until(lambda: held.head()["level"] > 0.94)
        await held.settled()
        assert held.code() == before
        assert no_step(held, FULL, changed)


@pytest.mark.parametrize("keys", [SPEAKS, {"latency_s": 0.05}], ids=["speaks", "is mute"])
async def test_a_broker_that_dies_while_holding(tmp_path: Path, keys: Table) -> None:
    """Orders in between are met after each return: nothing stale is sent, nothing steps, nothing leaks."""
    async with Broker(tmp_path) as server, studio(tmp_path, server, keys) as held:
        gc.collect()
        tasks, descriptors = len(asyncio.all_tasks()), len(os.listdir("/proc/self/fd"))
        for turn in range(TURNS):
            before, began = held.bulb.received[-1][1], time.monotonic()
            await server.kill()
            await held.until(lambda: held.state["drivers"]["bulbs"]["state"] == "lost")
            assert held.head()["state"] == "lost"
            assert held.state["drivers"]["bulbs"]["note"]
            # Of these only the last may ever reach the bulb.
            for to in (2.0, -3.0, (0.3, -0.3)[turn % 2]):
                await held.do(do="trim", role="fill", to=to)
            await server.start()
            await held.until(lambda: held.head()["state"] == "ok", 20.0)
            await held.settled()
            codes = [before, *sent_since(held, began)]
            assert no_step(held, before, began)
            goal = held.code()
            assert codes[-1] == goal
            assert all(min(before, goal) <= code <= max(before, goal) for code in codes)
            assert (goal > before) == (turn % 2 == 0)
        gc.collect()
        await held.until(lambda: len(asyncio.all_tasks()) <= tasks)
        assert len(os.listdir("/proc/self/fd")) <= descriptors + 1


async def test_pulling_the_fill_s_plug_takes_its_light_from_the_face_and_no_more(tmp_path: Path) -> None:
    async with broker(tmp_path) as server, studio(tmp_path, server) as held:
        await held.do(do="trim", role="fill", by=-2)
        await held.settled()
        await asyncio.sleep(0.2)
        before = held.outputs()
        lit = face_lux(before)
        held.bulb.pull()
        gone = await held.watched(1.5)
        assert held.head()["state"] == "lost"
        # Nothing but the fill's own light is missing, at any moment.
        assert set(gone) == {(before[0], 0.0)}
        fill_alone = face_lux((0.0, before[1]))
        for side, was, fill in zip(face_lux(gone[-1]), lit, fill_alone, strict=True):
            assert was - side == pytest.approx(fill, rel=1e-9)
        assert held.state["achieved"]["ratio"] is None
        await goes_straight_back(held, before)


async def goes_straight_back(held: Studio, before: tuple[float, float]) -> None:
    """Plug the fill in and see it go to its light, never down and by no step."""
    plugged = time.monotonic()
    held.bulb.plug_in(0.0)
    back = await held.watched(
        12.0, lambda: math.isclose(held.outputs()[1], before[1], rel_tol=1e-9) and held.state["settled"]
    )
    back.extend(await held.watched(0.5))
    await held.settled()
    assert held.head()["state"] == "ok"
    assert {key for key, _ in back} == {before[0]}
    light = [fill for _, fill in back]
    assert light == sorted(light)
    assert light[-1] == pytest.approx(before[1], rel=1e-9)
    assert no_step(held, 0, plugged)


def test_the_demonstration_with_a_broker() -> None:
    done = run("demo", "--mqtt", "--seconds", "6", "--port", "0", "--json", timeout=90)
    assert (done.returncode, done.stderr) == (0, "")
    figures = json.loads(done.stdout)
    assert figures["seconds"] == pytest.approx(6, abs=0.5)
    assert figures["seconds_with_fillside"] > figures["seconds_left_alone"]


def test_the_demonstration_says_which_package_is_missing() -> None:
    hidden = "import fillside.demo.broker as broker; broker.SEARCH_PATH = ''; " + ENTRY
    done = subprocess.run(
        [sys.executable, "-c", hidden, "demo", "--mqtt", "--port", "0"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, "PATH": ""},
    )
    assert done.returncode == 1
    assert "apt install mosquitto" in done.stderr
    assert done.stderr.count("\n") == 1
