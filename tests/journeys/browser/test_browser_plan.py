"""The plan on the page: what each mark allows, drawn and in numbers, at every size and by keyboard alone."""

from __future__ import annotations

import math

import pytest
from playwright.async_api import Browser, Page, expect

from journeys.browser.axe import violations
from journeys.browser.studio import DESK, PHONE, Studio, act, look_at, open_page


async def opened(page: Page) -> None:
    await act(page, "Plan").click()
    await expect(page.locator("#plan-marks section")).to_have_count(3)


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
async def test_the_plan_is_shown_and_axe_finds_nothing(
    browser: Browser, atelier: Studio, size: tuple[int, int]
) -> None:
    context = await look_at(browser, size)
    page = await open_page(context, atelier.url)
    complaints: list[str] = []
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    await opened(page)
    stool = page.get_by_role("region", name="stool")
    await expect(stool.locator("svg .region")).to_be_visible()
    await expect(stool.locator("svg .wanted")).to_be_visible()
    await expect(stool.locator("svg .corner")).to_have_count(4)
    await expect(stool.locator("svg")).to_contain_text("key full")
    assert await violations(page) == []
    wide = await page.evaluate(
        "[document.documentElement, document.querySelector('#plan')]"
        ".map((one) => one.scrollWidth - one.clientWidth)"
    )
    assert max(wide) <= 0
    box = await act(page, "Close").first.bounding_box()
    assert box is not None
    assert min(box["width"], box["height"]) >= 44
    assert complaints == []
    await context.close()


async def test_its_margins_are_those_of_the_light_that_is_held(phone: Page, atelier: Studio) -> None:
    """A stop is a doubling (ISO 2720:1974): at a share of full light, log2 of its inverse is left."""
    await opened(phone)
    table = phone.get_by_role("region", name="stool").get_by_role("table", name="To full and to floor")
    for head in atelier.state["heads"]:
        row = table.get_by_role("row").filter(has_text=head["name"])
        left = math.log2(1 / head["output"])
        cell = await row.get_by_role("cell").nth(1).inner_text()
        assert float(cell.split()[0]) == pytest.approx(left, abs=0.02)


async def test_another_wish_is_planned_when_it_is_opened_again(phone: Page, atelier: Studio) -> None:
    stool = phone.get_by_role("region", name="stool")
    await opened(phone)
    await expect(stool).to_contain_text("At 2:1: exposure")
    await act(phone, "Close").first.click()
    await atelier.do(do="balance", ratio="4:1")
    await opened(phone)
    await expect(stool).to_contain_text("At 4:1: exposure")


async def test_it_opens_and_closes_by_keyboard(phone: Page) -> None:
    await act(phone, "Plan").focus()
    await phone.keyboard.press("Enter")
    await expect(act(phone, "Close").first).to_be_focused()
    await expect(phone.locator("#plan-marks section")).to_have_count(3)
    await phone.keyboard.press("Escape")
    await expect(phone.locator("#plan")).to_be_hidden()
    await expect(act(phone, "Plan")).to_be_focused()


async def test_a_plan_that_cannot_be_had_says_why(phone: Page) -> None:
    await phone.route("**/api/v1/plan", lambda route: route.abort())
    await act(phone, "Plan").click()
    await expect(phone.locator("#plan-says")).to_contain_text("No plan:")
