"""One touch, one order: what is pressed on the page happens to the light, and is answered in place."""

from __future__ import annotations

import asyncio
import re
import time
from functools import partial
from typing import Any

import pytest
from playwright.async_api import Page, Route, expect

from journeys.browser.studio import Studio, act, spot

HELD_STOPS = 0.05
"""The promise of the balance for reachable places; rounding of 16-bit wires takes far less."""


def off(state: dict[str, Any]) -> tuple[float, float]:
    held = state["achieved"]
    return abs(held["ratio_error_stops"]), abs(held["exposure_error_stops"])


def settled_at(mark: str, state: dict[str, Any]) -> bool:
    return bool(state["subject_seen"]["mark"] == mark and state["settled"])


async def test_moving_between_marks_keeps_the_ratio(phone: Page, atelier: Studio) -> None:
    for mark in ("easel", "door", "stool"):
        await spot(phone, mark).tap()
        state = await atelier.until(partial(settled_at, mark))
        assert state["subject"] == list(atelier.running.rig.marks[mark])
        assert max(off(state)) < HELD_STOPS
        await expect(phone.locator("#ratio .value")).to_have_text("2.0:1")
        await expect(spot(phone, mark)).to_have_attribute("aria-checked", "true")


async def test_arrow_keys_go_to_the_mark_that_lies_that_way(phone: Page, atelier: Studio) -> None:
    # As the subject stands, facing the camera: what is right in the picture is at its left.
    await spot(phone, "stool").focus()
    await phone.keyboard.press("ArrowLeft")
    await atelier.until(lambda s: s["subject_seen"]["mark"] == "easel")
    await expect(spot(phone, "easel")).to_be_focused()
    await phone.keyboard.press("ArrowRight")
    await atelier.until(lambda s: s["subject_seen"]["mark"] == "stool")
    await phone.keyboard.press("ArrowRight")
    await atelier.until(lambda s: s["subject_seen"]["mark"] == "door")


async def test_a_trim_is_one_touch_and_undo_takes_it_back(phone: Page, atelier: Studio) -> None:
    before = [head["wire"] for head in atelier.state["heads"]]
    for name, trim in (
        ("fill 1/3 stop less", -1 / 3),
        ("fill 1/2 stop more", 1 / 2),
        ("fill 1 stop less", -1.0),
        ("Put fill out", "out"),
    ):
        await act(phone, name).tap()
        state = await atelier.until(lambda s: bool(s["trims"]) and s["settled"])
        found = state["trims"]["fill"]
        assert found == (trim if isinstance(trim, str) else pytest.approx(trim, abs=1e-9))
        assert [head["wire"] for head in state["heads"]] != before
        await expect(phone.locator("#trims-answer")).to_contain_text("✓")
        await phone.get_by_role("button", name="Undo trim").tap()
        await atelier.until(lambda s: s["trims"] == {} and s["settled"])
        assert [head["wire"] for head in atelier.state["heads"]] == before


async def test_clearing_a_trim(phone: Page, atelier: Studio) -> None:
    await act(phone, "hair 1 stop less").tap()
    await expect(phone.get_by_role("group", name="hair").locator(".row-value")).to_have_text("−1")
    await act(phone, "Clear the trim of hair").tap()
    await atelier.until(lambda s: s["trims"] == {})
    await expect(phone.get_by_role("group", name="hair").locator(".row-value")).to_have_text("no trim")


async def test_ratio_and_exposure_steps(phone: Page, atelier: Studio) -> None:
    await act(phone, "ratio 3 to 1").tap()
    await atelier.until(lambda s: s["balance"]["ratio"] == 3.0)
    await act(phone, "ratio 1/2 stop flatter").tap()
    await atelier.until(lambda s: abs(s["balance"]["ratio"] - 3 / 2**0.5) < 1e-9)
    await act(phone, "exposure 1/3 stop brighter").tap()
    state = await atelier.until(lambda s: abs(s["balance"]["exposure_stops"] - 1 / 3) < 1e-9 and s["settled"])
    assert max(off(state)) < HELD_STOPS
    await act(phone, "Clear the steps of the exposure").tap()
    await atelier.until(lambda s: s["balance"]["exposure_stops"] == 0)


async def test_ratio_steps_keep_the_terms_they_are_read_in(phone: Page, atelier: Studio) -> None:
    """Read as key+fill to fill, 3:1 is one stop between the lamps and half a stop more is 1 + 2^1.5."""
    await atelier.do(do="balance", ratio="3:1", read_as="key+fill:fill")
    await expect(act(phone, "ratio 9 to 1")).to_be_visible()
    await act(phone, "ratio 1/2 stop steeper").tap()
    state = await atelier.until(lambda s: s["balance"]["ratio"] != 3.0)
    assert state["balance"]["ratio"] == pytest.approx(1 + 2**1.5)
    assert state["balance"]["ratio_stops"] == pytest.approx(1.5)


async def test_freeze_keeps_the_light_and_follow_takes_it_up_again(phone: Page, atelier: Studio) -> None:
    await act(phone, "Freeze").tap()
    await expect(act(phone, "Freeze")).to_have_attribute("aria-pressed", "true")
    before = [head["wire"] for head in atelier.state["heads"]]
    await spot(phone, "easel").tap()
    await expect(phone.locator("#places-answer")).to_contain_text("noted")
    assert [head["wire"] for head in atelier.state["heads"]] == before
    await act(phone, "Follow").tap()
    state = await atelier.until(lambda s: s["mode"] == "follow" and s["settled"])
    assert [head["wire"] for head in state["heads"]] != before


async def test_keep_makes_the_light_now_the_wanted_balance(phone: Page, atelier: Studio) -> None:
    await act(phone, "fill 1 stop less").tap()
    await atelier.until(lambda s: bool(s["trims"]) and s["settled"])
    await act(phone, "Keep").tap()
    state = await atelier.until(lambda s: s["trims"] == {})
    assert state["balance"]["ratio"] == pytest.approx(4.0, abs=0.05)
    await expect(phone.locator("#acts-answer")).to_contain_text("kept")


async def test_dark_takes_a_hold_by_finger(phone: Page, atelier: Studio) -> None:
    await act(phone, "Dark").tap()
    await expect(phone.locator("#acts-answer")).to_contain_text("Hold it")
    assert atelier.state["mode"] == "follow"
    box = await act(phone, "Dark").bounding_box()
    assert box is not None
    await phone.mouse.move(box["x"] + 20, box["y"] + 20)
    await phone.mouse.down()
    await atelier.until(lambda s: s["mode"] == "dark")
    await phone.mouse.up()
    await expect(phone.locator("#mode")).to_contain_text("dark")
    await act(phone, "Follow").tap()
    await atelier.until(lambda s: s["mode"] == "follow")


async def test_dark_takes_a_hold_by_key(phone: Page, atelier: Studio) -> None:
    await act(phone, "Dark").focus()
    await phone.keyboard.press("Enter")
    await expect(phone.locator("#acts-answer")).to_contain_text("Hold it")
    assert atelier.state["mode"] == "follow"
    await phone.keyboard.down(" ")
    await atelier.until(lambda s: s["mode"] == "dark")
    await phone.keyboard.up(" ")


async def test_dark_asks_where_no_finger_and_no_key_can_hold(phone: Page, atelier: Studio) -> None:
    """A screen reader's press comes as a bare click."""
    await act(phone, "Dark").evaluate("(button) => button.click()")
    await act(phone, "Leave them on").tap()
    assert atelier.state["mode"] == "follow"
    await act(phone, "Dark").evaluate("(button) => button.click()")
    await act(phone, "Go dark").tap()
    await atelier.until(lambda s: s["mode"] == "dark")


async def test_it_says_for_how_long_the_light_is_steady(phone: Page, atelier: Studio) -> None:
    """Also where the answer to the order, of a light that fades, comes after the news that it rests."""
    rests = phone.locator("#light-changed", has_text="Steady for")

    async def late(route: Route) -> None:
        answer = await route.fetch()
        # What the page says before it has heard of the trim is of the light coming up.
        await expect(phone.get_by_role("group", name="key").locator(".row-value")).to_have_text("−⅓")
        await expect(rests).to_be_visible()
        await route.fulfill(response=answer)

    await phone.route("**/api/v1/do", late)
    await act(phone, "key 1/3 stop less").tap()
    await atelier.until(lambda s: bool(s["trims"]) and s["settled"])
    await expect(phone.locator("#trims-answer")).to_contain_text("trimmed")
    said = re.compile(r"Steady for ([1-9]\.\d) s")
    await expect(phone.locator("#light-changed")).to_have_text(said)
    looked = time.time()
    shown = said.search(await phone.locator("#light-changed").inner_text())
    assert shown is not None
    # The page counts on by itself, in steps of a tenth.
    changed = atelier.state["light_changed_at"] + float(shown[1])
    assert looked - 1 < changed < time.time() + 0.2


async def test_a_late_answer_does_not_replace_that_of_a_later_order(phone: Page, atelier: Studio) -> None:
    answered, waiting = asyncio.Event(), []

    async def late(route: Route) -> None:
        answer = await route.fetch()
        if not waiting:
            waiting.append(route)
            await answered.wait()
        await route.fulfill(response=answer)

    await phone.route("**/api/v1/do", late)
    await act(phone, "key 1/3 stop less").tap()
    await atelier.until(lambda s: bool(s["trims"]))
    await act(phone, "fill 1/3 stop more").tap()
    await expect(phone.locator("#trims-answer")).to_contain_text("fill trimmed")
    async with phone.expect_event("requestfinished", lambda request: request == waiting[0].request):
        answered.set()
    # The body is read and shown in turns of the page's own loop.
    await phone.evaluate("() => new Promise((done) => setTimeout(done, 200))")
    await expect(phone.locator("#trims-answer")).to_contain_text("fill trimmed")


async def test_a_refused_order_says_why_in_its_own_panel(phone: Page, atelier: Studio) -> None:
    await atelier.do(do="trim", role="key", to=5.5)
    await act(phone, "key 1 stop more").tap()
    answer = phone.locator("#trims-answer")
    await expect(answer).to_contain_text("Not done: key would be trimmed +6.5 stops")
    assert atelier.state["trims"]["key"] == 5.5
    await act(phone, "key 1/3 stop more").tap()
    # The order is done, and the light falls short of it.
    said = "✓ key trimmed +5.83 stops. ▲ Not reached: key is at its full light."
    await expect(answer).to_contain_text(said)


async def test_one_head_alone_is_said_and_ends_by_a_touch(phone: Page, atelier: Studio) -> None:
    await atelier.do(do="only", head="fill")
    await expect(phone.locator("#link-says")).to_contain_text("only fill on")
    await act(phone, "All heads on").tap()
    await atelier.until(lambda s: s["alone"] is None)
    await expect(act(phone, "All heads on")).to_be_hidden()
