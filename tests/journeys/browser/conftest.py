"""One browser for all journeys; a studio of its own for each."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from playwright.async_api import Browser, Page, async_playwright, expect

from journeys.browser.studio import SWITCHES, WITHIN_MS, Studio, look_at, need_chromium, open_page, studio


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


@pytest.fixture
async def phone(browser: Browser, atelier: Studio) -> AsyncIterator[Page]:
    """The page on a phone, live."""
    context = await look_at(browser)
    yield await open_page(context, atelier.url)
    await context.close()
