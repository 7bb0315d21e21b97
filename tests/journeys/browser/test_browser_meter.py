"""Calibrating and lining up by phone: the guided routine, its keypad, and what it survives."""

from __future__ import annotations

import math
import re
from collections.abc import AsyncIterator
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from playwright.async_api import Browser, Page, expect

from fillside.background.worker_process import WorkerProcess
from fillside.belief.evidence import Reading
from fillside.belief.result.expanded_uncertainty import around
from fillside.cli.render.routine import count
from fillside.metering import calibrations
from fillside.metering.simulated_meter import HandMeter, truth_of
from fillside.storage.records import metering as kept
from fillside_drivers.sim.meter import VirtualMeter
from journeys.browser.axe import violations
from journeys.browser.studio import (
    ATELIER,
    PHONE,
    PHONES,
    TABLET,
    Studio,
    act,
    expect_live,
    look_at,
    open_page,
    rows_of_the_header,
    studio,
)
from journeys.hurry import hurried
from rigs import laid, sim, toml

TRUE_KEY = 2**-0.5
"""The key gives half a stop less than its label says."""
GOOD_STOPS = 0.1
SURE_STOPS = 0.1
"""Known so well, the journey ends the readings; left alone it asks for about twice as many."""


def two_heads() -> str:
    """Key and fill only, the key darker than stated, its curve another; the meter errs by 0.02 stop."""
    key, fill, *_ = ATELIER["heads"]
    key = laid(key, {"drive": {"truth": {"output_factor": TRUE_KEY, "exponent": 2.2}}})
    changed = {"balance": {"ratio": "2:1"}, "heads": [key, fill]}
    return toml({**ATELIER, **changed, "drivers": sim("wire", noise_stops=0.02, seed=3)})


class SharedProcess(WorkerProcess):
    """Outlives the daemons that close it, as its start takes longer than what one of them asks of it."""

    async def close(self) -> None:
        """The process goes on for the next daemon."""

    async def end(self) -> None:
        await super().close()


@pytest.fixture(scope="module")
async def apart() -> AsyncIterator[SharedProcess]:
    process = SharedProcess(niceness=0)
    yield process
    await process.end()


@pytest.fixture
async def corner(tmp_path: Path, apart: SharedProcess) -> AsyncIterator[Studio]:
    """Its light is at rest at once, as every reading waits for that; other journeys calibrate unhurried."""
    with mock.patch.object(calibrations, "WorkerProcess", return_value=apart):
        async with studio(tmp_path, two_heads()) as here:
            with hurried():
                yield here


@pytest.fixture
async def handset(browser: Browser, corner: Studio) -> AsyncIterator[Page]:
    context = await look_at(browser)
    yield await open_page(context, corner.url)
    await context.close()


def meter_of(here: Studio) -> HandMeter:
    """A simulated meter of our own, beside the one that the daemon may have."""
    rig = here.running.rig
    return HandMeter(rig, VirtualMeter(here.wire, truth_of(rig)), here.wire.now)


async def shown_lux(here: Studio, meter: HandMeter) -> float:
    """What the simulated meter shows for what is asked, once the light rests."""
    await here.settled()
    asks = here.state["routine"]["asks"]
    heads = tuple(name for name in asks["head"].split("+") if name)
    levels = tuple(float(level) for level in asks["level"].split("+") if level)
    facing = asks["facing"]
    reading = Reading(
        heads=heads, levels=levels, at=tuple(asks["at"]), value=1.0, receptor=asks["receptor"], facing=facing
    )
    return meter.lux(reading)


async def start(page: Page, here: Studio, what: str = "Calibrate") -> None:
    """Into the routine and past its cautions."""
    await act(page, "Meter").tap()
    await page.get_by_role("button", name=re.compile(f"^{what}:")).tap()
    await expect(page.locator("#routine-title")).to_have_text("Before any light is metered")
    for box in await page.locator("#routine-ticks input").all():
        await box.check()
    await here.until(lambda s: all(tick["ticked"] for tick in s["routine"]["ticks"]))
    await act(page, "Go on").tap()
    await expect(page.locator("#take")).to_be_visible()


async def reading(page: Page, here: Studio) -> dict[str, Any]:
    """Past the warm-up, at the first reading, with the light at rest; the routine then."""
    await act(page, "Skip").tap()
    state = await here.until(lambda s: bool(s["routine"]["ratio_sigma_stops"]) and s["settled"])
    await at_step(page, state["routine"])
    return dict(state["routine"])


async def at_step(page: Page, routine: dict[str, Any]) -> None:
    """The page shows that step, and counts as the terminal does."""
    await expect(page.locator("#routine-where")).to_contain_text(f": {count(routine)}")
    await expect(page.locator("#routine-title")).to_have_text(routine["title"])


async def enter(page: Page, text: str) -> None:
    for digit in text:
        await act(page, "Point" if digit == "." else digit).tap()
    await expect(page.locator("#entered")).to_have_text(f"{text} lx")


async def into_the_dark(page: Page, here: Studio) -> dict[str, Any]:
    """The room's own light is asked for: nothing goes dark before somebody holds the button."""
    assert any(head["output"] > 0 for head in here.state["heads"])
    box = await act(page, "Hold to go dark").bounding_box()
    assert box is not None
    await page.mouse.move(box["x"] + 20, box["y"] + 20)
    await page.mouse.down()
    state = await here.until(lambda s: "go" not in s["routine"]["may"] and s["settled"])
    await page.mouse.up()
    assert all(head["output"] == 0 for head in state["heads"])
    await expect(page.locator("#take")).to_be_visible()
    return dict(state["routine"])


async def take(page: Page, here: Studio, text: str) -> dict[str, Any]:
    """Enter what the meter shows and take it; the routine after that."""
    await here.settled()
    before = here.state["routine"]
    if "go" in before["may"]:
        before = await into_the_dark(page, here)
        text = f"{await shown_lux(here, meter_of(here)):.1f}"
    if before["number"] == 1:
        await enter(page, text)
    else:
        await page.keyboard.type(text)
        await expect(page.locator("#entered")).to_have_text(f"{text} lx")
    await act(page, "Take it").tap()
    await expect(page.locator("#entered")).to_have_text(re.compile("_"))
    state = await here.until(lambda s: s["routine"] != before)
    await at_step(page, state["routine"])
    return dict(state["routine"])


async def test_a_whole_calibration_on_a_phone_ends_with_the_light_as_wanted(
    handset: Page, corner: Studio
) -> None:
    """The simulated meter speaks; what is held afterwards is judged by it too, half a stop off before."""
    meter = meter_of(corner)
    await start(handset, corner)
    await reading(handset, corner)
    known, dark, curves = [], False, 0
    while (routine := corner.state["routine"])["stage"] == "read":
        known.append(routine["ratio_sigma_stops"])
        if dark and known[-1] < SURE_STOPS:
            await act(handset, "Enough").tap()
            await corner.until(lambda s: s["routine"]["stage"] == "verify")
            break
        dark = dark or "go" in routine["may"]
        await take(handset, corner, f"{await shown_lux(corner, meter):.1f}")
        assert len(known) < 20, "it does not ask for ever"
        if drawn := corner.state["routine"]["curve"]:
            curves += 1
            await expect(handset.locator("#curve .dot")).to_have_count(len(drawn["readings"]))
    assert curves > 2
    assert known[-1] < known[0] / 4
    while (routine := corner.state["routine"])["stage"] == "verify":
        await take(handset, corner, f"{await shown_lux(corner, meter):.1f}")
    assert routine["verdict"]["go"], routine["says"]
    await expect(handset.locator("#routine-title")).to_have_attribute("data-go", "true")
    await expect(handset.locator("#verdict")).to_contain_text("2.00:1")
    await act(handset, "Close").tap()
    await expect(handset.locator("#standing")).to_contain_text(re.compile(r"Ratio ±\d"))
    await corner.settled()
    assert await metered_ratio_off(corner, meter) < GOOD_STOPS


async def metered_ratio_off(here: Studio, meter: HandMeter) -> float:
    """How far the ratio that the simulated meter reads, each lamp alone, is from 2:1, in stops."""
    lux = {}
    for name in ("key", "fill"):
        await here.do(do="only", head=name)
        await here.settled()
        lux[name] = meter.lux(Reading(heads=(name,), levels=(1.0,), at=here.running.rig.start, value=1.0))
    await here.do(do="all")
    return abs(math.log2(lux["key"] / lux["fill"] / 2))


def further(number: int, state: dict[str, Any]) -> bool:
    return bool(state["routine"]["number"] > number)


async def test_the_keypad_speaks_lux_exposure_values_and_f_stops(handset: Page, corner: Studio) -> None:
    await start(handset, corner)
    await reading(handset, corner)
    sent = []
    for scale, keys in (
        ("exposure value at ISO 100", ("7", "Point", "3")),
        ("f-stops in tenths", ("f 4", "and 7 tenths")),
        ("f-stops in thirds", ("f 4", "and two thirds")),
    ):
        await corner.settled()
        if "go" in corner.state["routine"]["may"]:
            await into_the_dark(handset, corner)
        await handset.get_by_label(scale).check()
        await corner.settled()
        before = corner.state["routine"]["number"]
        for key in keys:
            await act(handset, key).tap()
        await act(handset, "Take it").tap()
        await expect(handset.locator("#entered")).to_have_text(re.compile("_"))
        state = await corner.until(partial(further, before))
        await at_step(handset, state["routine"])
        newest = kept.readings(corner.running.store, 1)[0].body
        sent.append((newest.get("value"), newest["unit"]))
    assert sent == [(7.3, "ev100"), (None, "f/4+0.7@800@1/50"), (None, "f/5@800@1/50")]


async def test_what_to_expect_is_said_in_the_meters_own_words(handset: Page, corner: Studio) -> None:
    """ISO 2720: E = C N^2 / (t S), so N^2 = E t S / C, with C 250 for a flat receptor."""
    await start(handset, corner)
    lux = (await reading(handset, corner))["asks"]["expected_lux"]
    await expect(handset.locator("#expected")).to_contain_text(f"Expect {lux:.0f} lx")
    await handset.get_by_label("exposure value at ISO 100").check()
    await expect(handset.locator("#expected")).to_contain_text(f"{math.log2(lux * 100 / 250):.1f} EV")
    await handset.get_by_label("f-stops in tenths").check()
    stops = math.log2(lux * 800 / 50 / 250)
    whole, tenths = divmod(round(stops * 10), 10)
    full = {2: "2", 3: "2.8", 4: "4", 5: "5.6"}[whole]
    await expect(handset.locator("#expected")).to_contain_text(f"f/{full} .{tenths}")


async def calibrated(here: Studio) -> None:
    """Each head was read alone at two levels, so a line-up has something to hold against."""
    for name in ("key", "fill"):
        for level in (0.4, 0.8):
            await here.do(do="show", heads={name: level})
            await here.settled()
            lux = meter_of(here).lux(
                Reading(heads=(name,), levels=(level,), at=here.running.rig.start, value=1)
            )
            await here.do(do="read", value=lux, head=name)
    await here.do(do="all")
    await here.until(lambda s: bool(s["calibrated_at"]) and s["settled"])


async def test_a_tape_that_a_line_up_asks_for_is_entered_in_metres_or_feet(
    handset: Page, corner: Studio
) -> None:
    await calibrated(corner)
    await start(handset, corner, "Line up")
    await at_step(handset, (await corner.settled())["routine"])
    await expect(handset.get_by_label("metres of a tape")).to_be_hidden()
    for _ in range(4):
        number = (await corner.settled())["routine"]["number"]
        await enter(handset, f"{await shown_lux(corner, meter_of(corner)) * 2**-0.4:.0f}")
        await act(handset, "Take it").tap()
        state = await corner.until(lambda s, n=number: s["routine"]["number"] > n and s["settled"])
        await at_step(handset, state["routine"])
        if state["routine"]["asks"]["unit"] == "m":
            break
    stood_m = state["routine"]["asks"]["expected_m"]
    await expect(handset.locator("#expected")).to_have_text(f"It stood {stood_m:.2f} m away")
    await expect(handset.locator("#entered")).to_have_text("_ m")
    for width, height in PHONES:
        await handset.set_viewport_size({"width": width, "height": height})
        assert await handset.evaluate("document.documentElement.scrollWidth <= innerWidth"), width
    await act(handset, "Take it").tap(force=True)
    await expect(handset.locator("#routine-answer")).to_contain_text("Enter what the tape shows first")
    await handset.keyboard.type(f"{stood_m + 0.5:.2f}")
    await expect(handset.locator("#off-expected")).to_have_text("0.50 m farther than it stood")
    await handset.locator("#scales [value=lux]").check()
    await expect(handset.locator("#entered")).to_have_text("_ lx")
    await handset.get_by_label("feet of a tape").check()
    await handset.keyboard.type(f"{(stood_m - 0.3) / 0.3048:.2f}")
    await expect(handset.locator("#off-expected")).to_have_text("1.0 ft nearer than it stood")
    await act(handset, "Take it").tap()
    state = await corner.until(lambda s: s["routine"]["asks"]["unit"] == "lux")
    await at_step(handset, state["routine"])
    await expect(handset.locator("#entered")).to_have_text("_ lx")
    tape = kept.readings(corner.running.store, 1)[0].body
    assert tape["distance_m"] == pytest.approx(stood_m - 0.3, abs=0.002)


async def test_an_odd_value_is_questioned_before_it_is_taken(handset: Page, corner: Studio) -> None:
    await start(handset, corner)
    await reading(handset, corner)
    await enter(handset, "2")
    await expect(handset.locator("#off-expected")).to_contain_text("look again at head, unit and receptor")
    await act(handset, "Take back the last digit").tap()
    await expect(handset.locator("#off-expected")).to_have_text("")
    await act(handset, "Take it").tap(force=True)
    await expect(handset.locator("#routine-answer")).to_contain_text("Enter what the meter shows first")


async def test_it_survives_a_reload_and_a_lost_connection(handset: Page, corner: Studio) -> None:
    meter = meter_of(corner)
    await start(handset, corner)
    await reading(handset, corner)
    text = f"{await shown_lux(corner, meter):.0f}"
    await enter(handset, text)
    await handset.reload()
    await expect(handset.locator("#routine-title")).to_have_text(corner.state["routine"]["title"])
    await expect(handset.locator("#entered")).to_have_text(f"{text} lx")
    await handset.context.set_offline(True)
    await act(handset, "Take it").tap()
    await expect(handset.locator("#routine-answer")).to_contain_text("Not taken: the daemon does not answer")
    await handset.context.set_offline(False)
    await expect_live(handset, anywhere=True)
    await expect(handset.locator("#entered")).to_have_text(f"{text} lx")
    await act(handset, "Take it").tap()
    await corner.until(lambda s: s["routine"]["number"] == 2)
    assert len(kept.readings(corner.running.store, 10)) == 1


async def test_it_can_be_left_and_gone_on_with(handset: Page, corner: Studio) -> None:
    await start(handset, corner)
    await reading(handset, corner)
    await act(handset, "Leave").tap()
    state = await corner.until(lambda s: s["routine"]["left"] and s["settled"])
    assert state["shown"] is None
    await expect(handset.locator("#ratio .value")).to_have_text(re.compile(r"^2(\.0+)?:1$"))
    for width, height in (*PHONES, PHONE):
        await handset.set_viewport_size({"width": width, "height": height})
        assert await rows_of_the_header(handset) == 1, f"{width} px wide"
    await handset.get_by_role("button", name=re.compile("^Meter: Calibrate")).tap()
    await handset.get_by_role("button", name="Go on: calibrate").tap()
    await corner.until(lambda s: not s["routine"]["left"])
    await expect(handset.locator("#routine-title")).to_have_text(corner.state["routine"]["title"])


async def test_a_reading_can_be_taken_again(handset: Page, corner: Studio) -> None:
    meter = meter_of(corner)
    await start(handset, corner)
    await reading(handset, corner)
    await take(handset, corner, f"{4 * (await shown_lux(corner, meter)):.0f}")
    await act(handset, "Redo last").tap()
    await corner.until(lambda s: s["routine"]["number"] == 1)
    assert kept.readings(corner.running.store, 1)[0].struck


async def test_lining_up_finds_the_head_that_changed(handset: Page, corner: Studio) -> None:
    """Against its label the key is half a stop dark at full, and by its other curve more where it is held."""
    meter = meter_of(corner)
    await start(handset, corner, "Line up")
    for _ in range(8):
        if (routine := corner.state["routine"])["stage"] == "done":
            break
        await take(handset, corner, f"{await shown_lux(corner, meter):.1f}")
    assert routine["stage"] == "done"
    await expect(handset.locator("#routine-title")).to_have_attribute("data-go", "false")
    await expect(handset.locator("#routine-says")).to_contain_text(re.compile(r"key: 0\.\d stop less"))
    rows = handset.locator("#verdict tbody tr")
    await expect(rows).to_have_count(2)
    off = routine["verdict"]["ratio_off_stops"]
    assert off < -0.5
    await expect(rows.first).to_contain_text(f"−{abs(off):.2f} stop")


async def test_axe_finds_nothing_in_the_routine(browser: Browser, corner: Studio) -> None:
    context = await look_at(browser)
    page = await open_page(context, corner.url)
    await act(page, "Meter").tap()
    assert await violations(page) == []
    await page.keyboard.press("Escape")
    await start(page, corner)
    assert await violations(page) == []
    await reading(page, corner)
    await enter(page, "9")
    assert await violations(page) == []
    await page.get_by_label("f-stops in tenths").check()
    assert await violations(page) == []
    await context.close()


async def test_by_keyboard_alone(browser: Browser, corner: Studio) -> None:
    context = await look_at(browser, TABLET, touch=False)
    page = await open_page(context, corner.url)
    await act(page, "Meter").focus()
    await page.keyboard.press("Enter")
    await page.keyboard.press("Enter")
    await expect(page.locator("#routine-title")).to_be_focused()
    boxes = await page.locator("#routine-ticks input").all()
    for box in boxes:
        await box.focus()
        await page.keyboard.press(" ")
    await corner.until(lambda s: all(tick["ticked"] for tick in s["routine"]["ticks"]))
    await expect(act(page, "Go on")).to_be_enabled()
    await expect(page.locator("#routine-where")).to_contain_text(f"{len(boxes)} of {len(boxes)}")
    await expect(boxes[-1]).to_be_focused()
    await act(page, "Go on").focus()
    await page.keyboard.press("Enter")
    await expect(page.locator("#routine-title")).to_have_text("Are the lamps warm?")
    await expect(page.locator("#routine-title")).to_be_focused()
    await corner.settled()
    await page.keyboard.type("331.5")
    await expect(page.locator("#entered")).to_have_text("331.5 lx")
    await page.keyboard.press("Enter")
    await expect(page.locator("#routine-answer")).to_contain_text("again in two minutes")
    await expect(page.locator("#waits")).to_have_text(re.compile(r"Again in [12]:\d\d"))
    await context.close()


@pytest.mark.parametrize("size", [(360, 740), (1440, 900)], ids=str)
async def test_plus_minus_is_the_expanded_uncertainty_and_says_so(
    browser: Browser, atelier: Studio, size: tuple[int, int]
) -> None:
    """U = 2 u (JCGM 100:2008, 6.2.1); of a ratio u is at least the root of the sum of squares of its lights'
    (5.1.2), here 0.05 stop. Of a head's own light it is what is stated and the 0.02 stop that a model leaves
    out: of 0.03 and 0.04 that makes 0.036 and 0.045."""
    context = await look_at(browser, size)
    page = await open_page(context, atelier.url)
    rows = page.locator("#heads tbody tr")
    await expect(rows.first.locator(".unsure")).to_have_text(
        around(atelier.state["heads"][0]["uncertainty_stops"])
    )
    sure = {"key": {"sigma_stops": 0.03}, "fill": {"sigma_stops": 0.04}}
    await atelier.do(do="import", calibration={"heads": sure})
    await atelier.settled()
    known = atelier.state["uncertainty"]
    assert 0.1 <= known["ratio_stops"] < 0.4
    await expect(page.locator("#standing")).to_contain_text(f"Ratio {around(known['ratio_stops'])}")
    await expect(page.locator("#ratio .beside")).to_contain_text(around(known["ratio_stops"]))
    await expect(page.locator("#exposure .beside")).to_contain_text(around(known["exposure_stops"]))
    for name, said in (("key", "±0.07 stop"), ("fill", "±0.09 stop")):
        row = rows.filter(has=page.get_by_role("rowheader", name=re.compile(f"^{name}")))
        await expect(row.locator(".unsure")).to_have_text(said)
    await expect(page.locator("#plus-minus")).to_have_text(
        "± is the expanded uncertainty, k = 2: about 95 %."
    )
    await context.close()
