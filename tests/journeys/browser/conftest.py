"""One browser for all journeys; a studio of its own for each."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from playwright.async_api import Browser, BrowserContext, Page, async_playwright, expect

from journeys.browser.studio import SWITCHES, WITHIN_MS, Studio, expect_live, look_at, need_chromium, studio


@pytest.fixture(scope="session")
async def browser() -> AsyncIterator[Browser]:
    path = need_chromium()
    expect.set_options(timeout=WITHIN_MS)
    async with async_playwright() as playwright:
        found = await playwright.chromium.launch(executable_path=path, args=list(SWITCHES))
        yield found
        await found.close()


@pytest.fixture
async def atelier(tmp_path: Path) -> AsyncIterator[Studio]:
    async with studio(tmp_path) as here:
        yield here


@pytest.fixture(scope="session")
async def pocket(browser: Browser) -> AsyncIterator[BrowserContext]:
    """Where a phone's pages are opened, each for one test.

    An empty page stays open all the while: with the last one the process behind it ends, and costs a start.
    """
    context = await look_at(browser)
    stays = await context.new_page()
    await stays.route("**/*", lambda route: route.fulfill(body="", content_type="text/html"))
    await stays.goto("http://127.0.0.1:9/")
    yield context
    await context.close()


@pytest.fixture
async def phone(pocket: BrowserContext, atelier: Studio) -> AsyncIterator[Page]:
    """The page on a phone, live, with nothing kept from a studio that once had the same port."""
    page = await pocket.new_page()
    devtools = await pocket.new_cdp_session(page)
    await devtools.send("Storage.clearDataForOrigin", {"origin": atelier.url, "storageTypes": "all"})
    await page.goto(atelier.url)
    await expect_live(page)
    yield page
    await page.close()
