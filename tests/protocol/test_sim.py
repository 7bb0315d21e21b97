"""Protocol: the simulated wire and the meter in the simulated room, on a clock set by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from fillside_drivers.registry import build
from fillside_drivers.sim.driver import SimDriver
from fillside_drivers.sim.meter import VirtualMeter
from fillside_drivers.sim.options import HeadTruth
from fillside_drivers.sim.truth import SimHead, SimTruth, unit
from protocol.wires import WHO, HandClock

CHAIR = (0.0, 0.0, 1.2)
KEY = SimHead("key", (2.0, 0.0, 1.2), (-1.0, 0.0, 0.0), intensity_cd=400.0)
FILL = SimHead("fill", (0.0, -2.0, 1.2), (0.0, 1.0, 0.0), intensity_cd=100.0)
TOWARD_KEY, TOWARD_FILL = (1.0, 0.0, 0.0), (0.0, -1.0, 0.0)


def wire(clock: HandClock, *names: str) -> SimDriver:
    driver = build("stage", "sim", {}, {name: {"bits": 16} for name in names}, clock=clock, identity=WHO)
    assert isinstance(driver, SimDriver)
    return driver


def level(value: float) -> int:
    return round(65535 * value)


async def test_each_head_by_the_codes_on_the_wire() -> None:
    """Inverse square at 2 m: 400 cd give 100 lx, 100 cd give 25 lx; a flat receptor sees only one of them."""
    clock = HandClock()
    async with wire(clock, "key", "fill") as driver:
        meter = VirtualMeter(driver, SimTruth((KEY, FILL)))
        assert meter.read("flat", CHAIR, TOWARD_KEY, clock()) == 0
        driver.send({"key": 65535})
        assert meter.read("flat", CHAIR, TOWARD_KEY, clock()) == pytest.approx(100)
        assert meter.read("flat", CHAIR, TOWARD_FILL, clock()) == pytest.approx(0, abs=1e-9)
        driver.send({"fill": 65535})
        assert meter.read("flat", CHAIR, TOWARD_FILL, clock()) == pytest.approx(25)
        assert meter.read("dome", CHAIR, TOWARD_KEY, clock()) == pytest.approx(100 + 25 / 2)
        assert meter.read("flat", CHAIR, meter.toward("fill", CHAIR), clock()) == pytest.approx(25)


async def test_what_is_hidden_shows() -> None:
    clock = HandClock()
    truth = HeadTruth(output_factor=0.8, exponent=2.0, dead_zone=0.1, saturation=0.9, setback=0.5, bounce=0.2)
    async with wire(clock, "key") as driver:
        meter = VirtualMeter(driver, SimTruth((KEY.altered(truth),)))
        driver.send({"key": level(0.099)})
        assert meter.read("flat", CHAIR, TOWARD_KEY, clock()) == 0
        driver.send({"key": level(0.5)})
        half = meter.read("flat", CHAIR, TOWARD_KEY, clock())
        driver.send({"key": level(0.9)})
        full = meter.read("flat", CHAIR, TOWARD_KEY, clock())
        direct = 0.8 * 400 / 2.5**2
        at_aim = 0.8 * 400 / 1.5**2
        assert full == pytest.approx(direct + 0.2 * at_aim)
        assert half / full == pytest.approx(0.25, rel=1e-4)
        driver.send({"key": 65535})
        assert meter.read("flat", CHAIR, TOWARD_KEY, clock()) == pytest.approx(full)
        assert meter.read("flat", CHAIR, TOWARD_FILL, clock()) == pytest.approx(0.2 * at_aim, rel=1e-9)
        assert meter.read("dome", CHAIR, TOWARD_KEY, clock()) == pytest.approx(direct + 2 * 0.2 * at_aim)


def test_what_is_not_hidden_stays() -> None:
    head = replace(KEY, curve="square", bounce=0.1, diameter_m=0.7)
    assert head.altered(HeadTruth()) == head
    assert head.altered(HeadTruth(diameter=0.4, bounce=0.0)) == replace(head, diameter_m=0.4, bounce=0.0)


async def test_a_lamp_warms_and_cools_with_its_time_constant() -> None:
    """First-order: after one time constant 1 - 1/e of the way, while the level stays."""
    clock = HandClock()
    head = replace(KEY, warm_factor=0.9, warm_up_s=100.0)
    async with wire(clock, "key") as driver:
        meter = VirtualMeter(driver, SimTruth((head,)))
        clock += 500.0
        driver.send({"key": 65535})
        assert meter.read("flat", CHAIR, TOWARD_KEY, clock()) == pytest.approx(100)
        clock += 100.0
        assert meter.read("flat", CHAIR, TOWARD_KEY, clock()) == pytest.approx(
            100 * (1 - 0.1 * (1 - 1 / math.e))
        )
        clock += 5000.0
        assert meter.read("flat", CHAIR, TOWARD_KEY, clock()) == pytest.approx(90)
        driver.send({"key": 0})
        clock += 100.0
        driver.send({"key": 65535})
        assert meter.read("flat", CHAIR, TOWARD_KEY, clock()) == pytest.approx(100 * (1 - 0.1 / math.e))


async def test_ambient_light_and_a_window() -> None:
    clock = HandClock()
    truth = SimTruth((), ambient_lux=20.0, window_lux=40.0, window_from=(-2.0, 0.0, 0.0))
    async with wire(clock) as driver:
        meter = VirtualMeter(driver, truth)
        assert meter.read("flat", CHAIR, (-1.0, 0.0, 0.0), 0.0) == pytest.approx(60)
        assert meter.read("flat", CHAIR, TOWARD_KEY, 0.0) == pytest.approx(20)
        assert meter.read("dome", CHAIR, (0.0, 1.0, 0.0), 0.0) == pytest.approx(2 * 20 + 40 / 2)
        meter.change(replace(truth, window_lux=0.0))
        assert meter.read("flat", CHAIR, (-1.0, 0.0, 0.0), 0.0) == pytest.approx(20)


async def readings(seed: int) -> list[float]:
    clock = HandClock()
    async with wire(clock, "key") as driver:
        meter = VirtualMeter(driver, SimTruth((KEY,), noise_stops=0.1, seed=seed))
        driver.send({"key": 65535})
        return [meter.read("flat", CHAIR, TOWARD_KEY, clock()) for _ in range(400)]


async def test_noise_is_repeatable_and_as_wide_as_stated() -> None:
    """400 draws: 15 % of the standard deviation is more than four of its standard errors, 1 / sqrt(800)."""
    first, again, other = await readings(1), await readings(1), await readings(2)
    assert first == again
    assert first != other
    stops = [math.log2(lux / 100) for lux in first]
    mean = sum(stops) / len(stops)
    spread = math.sqrt(sum((s - mean) ** 2 for s in stops) / (len(stops) - 1))
    assert abs(mean) < 4 * 0.1 / math.sqrt(400)
    assert 0.085 < spread < 0.115


async def test_a_broken_wire_keeps_the_light_and_then_takes_the_latest() -> None:
    clock = HandClock()
    async with wire(clock, "key") as driver:
        meter = VirtualMeter(driver, SimTruth((KEY,)))
        driver.send({"key": 65535})
        clock += 3.0
        driver.lose("plug pulled")
        assert (driver.health.state, driver.health.note, driver.health.since) == (
            "lost",
            "plug pulled",
            1003.0,
        )
        driver.send({"key": 1})
        driver.send({"key": level(0.5)})
        assert meter.read("flat", CHAIR, TOWARD_KEY, clock()) == pytest.approx(100)
        driver.recover()
        assert driver.health.state == "ok"
        assert meter.read("flat", CHAIR, TOWARD_KEY, clock()) == pytest.approx(50, rel=1e-4)


async def test_fixed_heads_and_several_wires() -> None:
    clock = HandClock()
    async with wire(clock, "key") as one, wire(clock, "fill") as two:
        lamp = replace(FILL, name="window-lamp", position=(0.0, 2.0, 1.2), axis=(0.0, -1.0, 0.0), fixed=True)
        meter = VirtualMeter((one, two), SimTruth((KEY, FILL, lamp)))
        one.send({"key": 65535})
        two.send({"fill": 65535})
        assert meter.read("flat", CHAIR, TOWARD_KEY, clock()) == pytest.approx(100)
        assert meter.read("flat", CHAIR, TOWARD_FILL, clock()) == pytest.approx(25)
        assert meter.read("flat", CHAIR, (0.0, 1.0, 0.0), clock()) == pytest.approx(25)
        with pytest.raises(ValueError, match="hair is on no simulated wire"):
            VirtualMeter(one, SimTruth((replace(KEY, name="hair"),)))


@pytest.mark.parametrize("wrong", [(0.0, 0.0, 0.0), (math.nan, 0.0, 1.0), (1.0, 2.0)])
def test_a_direction_needs_a_length(wrong: Any) -> None:
    with pytest.raises(ValueError, match="is not a direction"):
        unit(wrong)


async def test_the_first_codes_are_on_the_wire_from_the_start() -> None:
    clock = HandClock()
    driver = wire(clock, "key", "fill")
    driver.send({"key": 7})
    assert driver.wire == {"key": 0, "fill": 0}
    async with driver:
        assert driver.wire == {"key": 7, "fill": 0}
