"""A simulated studio with its page: the daemon inside this process, a browser outside."""

from __future__ import annotations

import asyncio
import os
import re
import shutil
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Browser, BrowserContext, Locator, Page, expect

import rigs
from fillside.daemon.composition import Running, Settings, daemon
from fillside.doors.http.listening import Listen
from fillside.doors.listener import give
from fillside.rig_file import load_rig_text
from fillside.storage.records.journal import Visitor
from fillside_drivers.registry import kinds
from fillside_drivers.sim.driver import SimDriver
from journeys.hurry import hurried
from rigs import dimming, head_at, sim, toml

CHROMIUM = shutil.which("chromium")
SWITCHES = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
PHONE, TABLET, DESK = (360, 740), (768, 1024), (1440, 900)
PHONES = ((320, 640), PHONE, (390, 844))
WITHIN_MS = 60_000

WIRE = {"driver": "wire", "bits": 16}
ATELIER = rigs.studio(
    "atelier",
    camera={"position": [0.0, -2.8, 1.5], "iso": 800, "shutter": "1/50", "aperture": 4.0},
    marks={"stool": [0.0, 0.0, 1.25], "easel": [0.7, 0.3, 1.55], "door": [-0.8, 0.5, 1.6]},
    subject={"at": "stool"},
    balance={"ratio": "2:1", "relative": {"hair": -0.7, "background": -1.2}},
    hold={"order_speed": 6.0, "pace": "quick"},
    heads=[
        head_at(
            "key",
            [1.5, -1.3, 2.1],
            intensity=3000,
            modifier={"kind": "softbox", "diameter": 0.9, "spread": 1.2},
            dimming=dimming(0.01),
            drive=WIRE,
        ),
        head_at(
            "fill",
            [-1.6, -1.4, 1.8],
            intensity=1700,
            modifier={"kind": "shoot-through", "diameter": 1.1},
            dimming=dimming(0.01),
            drive=WIRE,
        ),
        head_at(
            "rim",
            [-1.0, 1.9, 2.5],
            role="hair",
            intensity=2600,
            modifier={"kind": "reflector", "diameter": 0.2, "spread": 6.0},
            dimming=dimming(0.02, "linear"),
            drive=WIRE,
        ),
        head_at(
            "wall",
            [1.8, 1.2, 0.6],
            role="background",
            aim=[0.3, 2.6, 1.3],
            intensity=600,
            modifier={"kind": "panel", "diameter": 0.3},
            dimming=dimming(0.02, "linear"),
            drive=WIRE,
        ),
    ],
    drivers=sim("wire"),
)
RIG = toml(ATELIER)


def need_chromium() -> str:
    """The browser's path; skips, or fails where real parts are required."""
    if CHROMIUM is None:
        if os.environ.get("FILLSIDE_REQUIRE_PARTS"):
            pytest.fail("chromium is required here and not installed")
        pytest.skip("chromium is not installed")
    return CHROMIUM


@dataclass(frozen=True)
class Studio:
    """A daemon that is up, and what a person beside it can see and do without the page."""

    running: Running
    folder: Path

    @property
    def url(self) -> str:
        return self.running.url

    @property
    def state(self) -> dict[str, Any]:
        return self.running.runner.state()

    async def do(self, **order: Any) -> None:
        await give(self.running.runner, order, Visitor("somebody else", "test"))

    @property
    def wire(self) -> SimDriver:
        driver = self.running.drivers["wire"]
        assert isinstance(driver, SimDriver)
        return driver

    async def until(self, holds: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """The state once something holds of it."""
        async with asyncio.timeout(WITHIN_MS / 1000), self.running.runner.live.join() as reader:
            while not holds(self.state):
                await reader.next()
        return self.state

    async def settled(self) -> dict[str, Any]:
        return await self.until(lambda state: bool(state["settled"]))


@asynccontextmanager
async def studio(folder: Path, rig: str = RIG) -> AsyncIterator[Studio]:
    """The daemon on a free port, its light up."""
    loaded = load_rig_text(rig, source="atelier.toml", kinds=kinds())
    settings = Settings(folder / "data", folder / "tokens.json", Listen(port=0))
    async with AsyncExitStack() as stack:
        with hurried():
            here = Studio(await stack.enter_async_context(daemon(loaded, settings)), folder)
            await here.settled()
        yield here


async def look_at(
    browser: Browser, size: tuple[int, int] = PHONE, *, theme: str = "dark", touch: bool = True, **kept: str
) -> BrowserContext:
    """A browser with nothing kept in it but the theme and other settings named."""
    context = await browser.new_context(
        viewport={"width": size[0], "height": size[1]}, has_touch=touch, reduced_motion="reduce"
    )
    context.set_default_timeout(WITHIN_MS)
    settings = {"theme": theme, **kept}
    await context.add_init_script(
        "if (!localStorage.getItem('fillside.settings'))"
        f" localStorage.setItem('fillside.settings', JSON.stringify({settings!r}))"
    )
    return context


async def open_page(context: BrowserContext, url: str) -> Page:
    """The page with live numbers on it."""
    page = await context.new_page()
    await page.goto(url)
    await expect_live(page)
    return page


async def expect_live(page: Page, *, anywhere: bool = False) -> None:
    """Connected, and its places known; `anywhere` also in the middle of a routine."""
    await expect(page.locator("#link-says")).to_contain_text("Live")
    if not anywhere:
        await expect(page.get_by_role("radio").first).to_be_visible()


def act(page: Page, name: str) -> Locator:
    """A button by its whole name."""
    return page.get_by_role("button", name=name, exact=True)


def spot(page: Page, mark: str) -> Locator:
    return page.get_by_role("radio", name=re.compile(f"^{mark}"))


async def clipped(page: Page) -> list[str]:
    """The buttons in sight whose words do not fit into them."""
    found: list[str] = await page.evaluate(
        """[...document.querySelectorAll('button')].filter((e) => e.offsetParent)
        .filter((e) => e.scrollWidth > e.clientWidth || e.scrollHeight > e.clientHeight)
        .map((e) => e.textContent)"""
    )
    return found


async def rows_of_the_header(page: Page) -> int:
    """Rows in which the parts of the header stand."""
    count: int = await page.evaluate(
        """() => new Set([...document.querySelectorAll('.top > *')].filter((e) => e.offsetParent).map((e) => {
          const box = e.getBoundingClientRect();
          return Math.round((box.top + box.bottom) / 2);
        })).size"""
    )
    return count
