"""What the page costs a browser at 20 changes a second, beside the same page at rest.

    PYTHONPATH=tests python tests/bench/bench_page.py

The subject walks in a circle; every change of the state reaches the page. Counted is the processor time of
the page's own process and of all the browser's processes together, in parts of one core. The browser draws
in software here, so a device with a graphics processor needs less.
"""

from __future__ import annotations

import asyncio
import math
import os
import tempfile
import time
from pathlib import Path

from playwright.async_api import Page, async_playwright

from journeys.browser.studio import DESK, PHONE, SWITCHES, Studio, look_at, need_chromium, open_page, studio

LASTS_S = 10.0
REPORTS_HZ = 40
TICK_HZ = os.sysconf("SC_CLK_TCK")


def browser_processes() -> dict[int, str]:
    """Process number and kind of every browser process that descends from this one."""
    parents: dict[int, int] = {}
    kinds: dict[int, str] = {}
    for folder in Path("/proc").iterdir():
        if not folder.name.isdigit():
            continue
        try:
            words = (folder / "cmdline").read_text().replace("\0", " ").split()
            parents[int(folder.name)] = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
        if words and "chrom" in words[0]:
            types = [word.removeprefix("--type=") for word in words if word.startswith("--type=")]
            kinds[int(folder.name)] = types[0] if types else "browser"
    return {pid: kind for pid, kind in kinds.items() if os.getpid() in ancestors(pid, parents)}


def ancestors(process: int, parents: dict[int, int]) -> set[int]:
    found: set[int] = set()
    while process in parents:
        process = parents[process]
        found.add(process)
    return found


def used_s(process: int) -> float:
    """User and system time of a process so far."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICK_HZ


async def walk(here: Studio, until: float) -> None:
    start = time.monotonic()
    while (now := time.monotonic()) < until:
        turn = (now - start) * 1.2
        await here.do(do="subject", to=[0.4 * math.sin(turn), 0.3 * math.cos(turn), 1.3])
        await asyncio.sleep(1 / REPORTS_HZ)


async def share(page: Page, here: Studio, moving: bool) -> tuple[float, float, float]:
    """Changes a second, and the parts of a core that the page's process and all of the browser take."""
    pids = browser_processes()
    before = {pid: used_s(pid) for pid in pids}
    heard = await page.evaluate("window.heard")
    start = time.monotonic()
    if moving:
        await walk(here, start + LASTS_S)
    else:
        await asyncio.sleep(LASTS_S)
    lasted = time.monotonic() - start
    spent = {pid: (used_s(pid) - before[pid]) / lasted for pid in pids}
    own = max((part for pid, part in spent.items() if pids[pid] == "renderer"), default=0.0)
    rate = (await page.evaluate("window.heard") - heard) / lasted
    return rate, own, sum(spent.values())


COUNT = """
window.heard = 0;
window.WebSocket = class extends WebSocket {
  set onmessage(call) { super.onmessage = (event) => { window.heard += 1; call(event); }; }
};
"""


async def main() -> None:
    with tempfile.TemporaryDirectory(prefix="fillside-page-") as folder:
        async with async_playwright() as playwright, studio(Path(folder)) as here:
            browser = await playwright.chromium.launch(executable_path=need_chromium(), args=list(SWITCHES))
            for name, size in (("phone", PHONE), ("desk", DESK)):
                context = await look_at(browser, size)
                await context.add_init_script(COUNT)
                page = await open_page(context, here.url)
                await here.settled()
                for moving in (False, True):
                    rate, own, whole = await share(page, here, moving)
                    shares = f"page {own:6.1%}   whole browser {whole:6.1%} of a core"
                    print(f"{name:6}{rate:5.1f} changes/s   {shares}")
                await context.close()
            await browser.close()


if __name__ == "__main__":
    asyncio.run(main())
