"""When things go wrong the page says so plainly, in place, and recovers by itself."""

from __future__ import annotations

import asyncio
import math
import random
import re
import signal
from pathlib import Path

import pytest
from playwright.async_api import Browser, Page, expect

from contract.disk import Disk, full
from fillside.access.tokens import TokenFile
from fillside.belief.result.expanded_uncertainty import around
from fillside.storage import writer
from fillside.text import uncertainty
from journeys.browser.axe import violations
from journeys.browser.studio import RIG, Studio, act, expect_live, look_at, open_page
from journeys.running import Daemon

AS_OF = re.compile(r"as of \d\d:\d\d:\d\d")


async def test_a_daemon_that_is_killed_and_comes_back(browser: Browser, tmp_path: Path) -> None:
    rig = tmp_path / "atelier.toml"
    rig.write_text(RIG)
    first = Daemon(rig, tmp_path / "data")
    await asyncio.to_thread(first.settled)
    context = await look_at(browser)
    try:
        page = await open_page(context, first.url)
        await asyncio.to_thread(first.stop, signal.SIGKILL)
        await expect(page.locator("#link-says")).to_have_text(
            re.compile(r"Nothing heard for \d+ s; the lamps may have changed$")
        )
        await expect(page.locator("#light-changed")).to_have_text(
            re.compile(r"^Last heard at \d\d:\d\d:\d\d; trying again by itself$")
        )
        await nothing_is_vouched_for(page)
        await act(page, "Freeze").tap()
        await expect(page.locator("#acts-answer")).to_contain_text("Not done: the daemon does not answer")
        second = Daemon(rig, tmp_path / "data", "--listen", f"127.0.0.1:{first.port}")
        try:
            await expect_live(page)
            await expect(page.locator("#ratio .value")).to_have_text("2.0:1")
            await expect(page.locator("#ratio .beside")).not_to_contain_text("as of")
            await expect(page.locator("#drivers")).to_contain_text("wire: well")
            await act(page, "Freeze").tap()
            await expect(page.locator("#mode")).to_contain_text("freeze")
        finally:
            await asyncio.to_thread(second.stop)
        await expect(page.locator("#link-says")).to_contain_text(
            "The daemon was stopped; the lamps may have changed"
        )
        await nothing_is_vouched_for(page)
    finally:
        await context.close()
        first.stop(signal.SIGKILL)


async def nothing_is_vouched_for(page: Page) -> None:
    """What was last heard stands with its time, and no tick, verdict, limit or remedy beside it."""
    for figure in ("#ratio", "#exposure"):
        await expect(page.locator(f"{figure} .beside")).to_have_text(AS_OF)
    await expect(page.locator("#heads-title")).to_have_text(re.compile(rf"Heads {AS_OF.pattern}"))
    await expect(page.locator("#standing li .sign")).to_have_text(["?", "?", "?"])
    await expect(page.locator("#trouble li")).to_have_count(1)
    await expect(page.locator("#drivers")).to_contain_text("not known: nothing was heard since")
    assert "✓" not in await page.locator("#main").inner_text()
    assert await violations(page) == []


async def test_a_wrong_key_is_said_and_a_right_one_let_in(browser: Browser, atelier: Studio) -> None:
    right = TokenFile(atelier.folder / "tokens.json").make("operate", "phone")
    context = await look_at(browser)
    page = await context.new_page()
    await page.goto(f"{atelier.url}/#token=fs-aaaaaaaa-{'x' * 32}")
    await expect(page.locator("#link-says")).to_contain_text("Key not accepted")
    assert "token" not in page.url
    await act(page, "Enter a key").tap()
    await page.get_by_label("Key", exact=True).fill("short")
    await act(page, "Use it").tap()
    await expect(page.locator("#key")).to_be_visible()
    await page.get_by_label("Key", exact=True).fill(right)
    await act(page, "Use it").tap()
    await expect_live(page)
    await page.reload()
    await expect_live(page)
    await context.close()


async def test_a_key_from_the_address_works_and_is_refused_once_revoked(
    browser: Browser, atelier: Studio
) -> None:
    tokens = TokenFile(atelier.folder / "tokens.json")
    token = tokens.make("operate", "phone")
    context = await look_at(browser)
    page = await open_page(context, f"{atelier.url}/#token={token}")
    assert token not in page.url
    await act(page, "Freeze").tap()
    await atelier.until(lambda s: s["mode"] == "freeze")
    tokens.revoke(token.split("-")[1])
    await act(page, "Follow").tap()
    await expect(page.locator("#acts-answer")).to_contain_text("Not done")
    await expect(page.locator("#link-says")).to_contain_text("Key not accepted")
    assert atelier.state["mode"] == "freeze"
    # Another code is scanned into the page that is open.
    await page.evaluate("(token) => { location.hash = `token=${token}` }", tokens.make("operate", "phone"))
    await expect_live(page)
    await context.close()


async def test_one_who_may_only_look_is_told_so(browser: Browser, atelier: Studio) -> None:
    token = TokenFile(atelier.folder / "tokens.json").make("view", "guest")
    context = await look_at(browser)
    page = await open_page(context, f"{atelier.url}/#token={token}")
    await act(page, "Freeze").tap()
    await expect(page.locator("#acts-answer")).to_contain_text("Not done: guest may look and not order")
    assert atelier.state["mode"] == "follow"
    await context.close()


async def test_a_lost_wire_is_said_everywhere_it_matters(phone: Page, atelier: Studio) -> None:
    atelier.wire.lose()
    await expect(phone.locator("#standing")).to_contain_text("Key cannot be reached")
    await expect(phone.locator("#exposure .beside")).to_have_text("not counting key and 3 more")
    await expect(phone.locator("#exposure .value")).to_have_text("–")
    assert "✓" not in await phone.locator("#main").inner_text()
    await expect(phone.locator("#standing")).to_contain_text("wire lost")
    await expect(phone.locator("#drivers")).to_contain_text("wire: lost")
    await expect(phone.locator("#heads tbody tr").first).to_contain_text("lost")
    await expect(phone.locator("#rose")).to_contain_text("lost")
    atelier.wire.recover()
    await expect(phone.locator("#standing")).to_contain_text("All wires well")
    await expect(phone.locator("#heads tbody tr").first).not_to_contain_text("lost")


async def test_a_tick_stands_only_where_the_daemon_gives_one(phone: Page) -> None:
    """Of states as they come over the connection: ticks given, withheld, and beside a lamp that is lost."""
    shown = await phone.evaluate(
        """async () => {
          const { ticked, viewOf } = await import("/page/hold/view.js");
          const state = await (await fetch("/api/v1/state")).json();
          const signs = (ticks, stale = null) =>
            ["balance", "limits", "wires"].map((what) =>
              ticked(viewOf({ ...state, ticks }, null, stale), what));
          const all = { balance: true, limits: true, wires: true };
          return [signs(all), signs({ ...all, limits: false }), signs(undefined), signs(all, 1)];
        }"""
    )
    assert shown == [[True, True, True], [True, False, True], [False] * 3, [False] * 3]


async def test_a_lamp_that_cannot_be_put_out_is_named_beside_the_one_that_is_on(phone: Page) -> None:
    shown = await phone.evaluate(
        """async () => {
          const { viewOf } = await import("/page/hold/view.js");
          const [state, room] = await Promise.all(
            ["state", "places"].map(async (what) => (await fetch(`/api/v1/${what}`)).json()));
          room.heads.find((head) => head.name === "rim").dimmable = false;
          const alone = (more) => viewOf({ ...state, ...more }, room).alone;
          return [alone({}), alone({ alone: "key" }), alone({ alone: "rim" }), alone({ shown: [] })];
        }"""
    )
    assert shown == [None, "key and rim", "rim", "rim"]


async def test_a_tracker_that_is_too_rough_is_said(phone: Page, atelier: Studio) -> None:
    dice = random.Random(5)
    for _ in range(80):
        x, y, z = (v + dice.gauss(0, 0.25) for v in atelier.running.rig.marks["stool"])
        await atelier.do(do="subject", to=[x, y, max(0.3, z)])
        await asyncio.sleep(0.01)
    assert atelier.state["subject_seen"]["too_rough"]
    await expect(phone.locator("#standing")).to_contain_text("Tracker too rough")
    await expect(phone.locator("#limits")).to_contain_text("too rough to follow")


async def test_what_is_out_of_reach_is_said_with_what_would_help(phone: Page, atelier: Studio) -> None:
    await atelier.do(do="expose", by=3)
    await expect(phone.locator("#standing")).to_contain_text("at full")
    await expect(phone.locator("#exposure .beside")).to_contain_text("too dark")
    await expect(phone.locator("#limits")).to_contain_text("is at its full light")
    await expect(phone.locator("#remedies li").first).to_contain_text(
        re.compile(r"Leaves (\d\.\d\d stops?|less than 0\.05 stop) of error")
    )
    await expect(phone.locator("#limits")).not_to_contain_text("✓")
    await act(phone, "fill 1 stop more").tap()
    await act(phone, "fill 1 stop more").tap()
    await expect(phone.locator("#trims-answer")).to_contain_text("stops. ▲ Not reached: fill is at")


async def test_a_tick_stands_beside_no_error(phone: Page, atelier: Studio) -> None:
    await expect(phone.locator("#limits")).to_contain_text("✓")
    await expect(phone.locator("#limits")).to_contain_text("Nothing is in the way of the balance")
    await atelier.do(do="freeze")
    x, y, z = atelier.running.rig.marks["stool"]
    await atelier.do(do="move", to=[x + 0.3, y - 0.3, z])
    await expect(phone.locator("#limits")).to_contain_text("The levels are frozen: the ratio is")
    for place in ("#limits", '#standing [data-key="limit"]'):
        await expect(phone.locator(place)).not_to_contain_text("✓")
    await expect(phone.locator("#ratio .beside")).to_contain_text("off by")
    await atelier.do(do="follow")
    await expect(phone.locator("#limits")).to_contain_text("✓")


async def test_numbers_are_those_of_the_daemon(phone: Page, atelier: Studio) -> None:
    await atelier.do(do="trim", role="fill", by=-0.7)
    state = await atelier.until(lambda s: bool(s["trims"]) and s["settled"])
    known = state["uncertainty"]
    for name, value, within in (
        ("#ratio .value", state["achieved"]["ratio"], known["ratio_stops"]),
        (".face-ratio", state["face"]["ratio"], known["face_stops"]),
        (".face-halves", state["face"]["halves_ratio"], known["face_stops"]),
    ):
        await expect(phone.locator(name)).to_have_text(uncertainty.ratio(value, within))
    await expect(phone.locator("#ratio .beside")).to_contain_text(around(known["ratio_stops"]))
    await expect(phone.locator("#exposure .beside")).to_contain_text(around(known["exposure_stops"]))
    await expect(phone.locator("#standing")).to_contain_text(
        f"Ratio {around(known['ratio_stops'])}, by labels alone"
    )
    first = phone.locator("#heads tbody tr").first
    key = state["heads"][0]
    await expect(first.locator(".lux")).to_have_text(uncertainty.lux(key["lux"], key["uncertainty_stops"]))
    await expect(first.locator(".to-full")).to_contain_text(f"{-math.log2(key['output']):.1f}")


async def test_an_address_good_once_leaves_a_key_that_lasts(browser: Browser, atelier: Studio) -> None:
    tokens = TokenFile(atelier.folder / "tokens.json")
    once, _ = tokens.make_once("operate", "phone")
    context = await look_at(browser)
    page = await open_page(context, f"{atelier.url}/#token={once}")
    kept = await page.evaluate("() => localStorage.getItem('fillside.token')")
    assert kept.startswith("fs-")
    holder = await asyncio.to_thread(tokens.verify, kept)
    assert holder is not None
    assert (holder.name, holder.may) == ("phone", "operate")
    await act(page, "Freeze").tap()
    await atelier.until(lambda s: s["mode"] == "freeze")
    await page.reload()
    await expect_live(page)
    # Whoever photographed the code comes too late: this page has no key.
    second = await look_at(browser)
    other = await open_page(second, f"{atelier.url}/#token={once}")
    assert await other.evaluate("() => localStorage.getItem('fillside.token')") is None
    await context.close()
    await second.close()


async def test_a_disk_that_takes_nothing_is_a_plain_line_until_it_does(
    browser: Browser, atelier: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = Disk()
    monkeypatch.setattr(writer, "commit", disk.commit)
    monkeypatch.setattr(writer, "RETRY_S", 0.1)
    context = await look_at(browser)
    page = await open_page(context, atelier.url)
    await expect(page.locator("#storage li")).to_have_count(0)
    disk.fails = full()
    await act(page, "Freeze").tap()
    await expect(page.locator("#mode")).to_contain_text("freeze")
    await expect(page.locator("#storage")).to_contain_text("Nothing is stored: the disk is full.")
    disk.fails = None
    await expect(page.locator("#storage li")).to_have_count(0)
    await act(page, "Follow").tap()
    await expect(page.locator("#mode")).to_contain_text("follow")
    await context.close()
