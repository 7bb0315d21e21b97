"""The page for everyone: accessibility, keyboard, sizes, weight, and nothing asked of the outside."""

from __future__ import annotations

import math
import re

import pytest
from playwright.async_api import Browser, Page, expect

from fillside.doors.http.static_page import page_files
from journeys.browser.axe import violations
from journeys.browser.studio import (
    DESK,
    PHONE,
    PHONES,
    TABLET,
    Studio,
    act,
    clipped,
    expect_live,
    look_at,
    open_page,
    rows_of_the_header,
    spot,
)

MOST_BYTES = 160_000
LEAST_TARGET_PX = 44


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
async def test_axe_finds_nothing_on_any_view(
    browser: Browser, atelier: Studio, size: tuple[int, int]
) -> None:
    context = await look_at(browser, size)
    page = await open_page(context, atelier.url)
    assert await violations(page) == []
    await atelier.do(do="expose", by=4)
    await expect(page.locator("#standing")).to_contain_text("at full")
    await act(page, "key 1/3 stop less").tap()
    await expect(page.locator("#trims-answer")).to_contain_text("✓")
    assert await violations(page) == []
    await act(page, "Settings").tap()
    assert await violations(page) == []
    await act(page, "Enter a key…").tap()
    assert await violations(page) == []
    await act(page, "Cancel").tap()
    await act(page, "Dark").evaluate("(button) => button.click()")
    assert await violations(page) == []
    await context.close()


async def test_axe_finds_nothing_while_things_are_wrong(browser: Browser, atelier: Studio) -> None:
    context = await look_at(browser, theme="light")
    page = await open_page(context, atelier.url)
    atelier.wire.lose()
    await page.evaluate("location.hash = 'token=fs-aaaaaaaa-wrongwrongwrong'")
    await expect(page.locator("#link-says")).to_contain_text("Key not accepted")
    assert await violations(page) == []
    await context.close()


async def test_the_manual_for_everyone(browser: Browser, atelier: Studio) -> None:
    """By Help, in a tab of its own, so that the light stays at hand."""
    context = await look_at(browser, PHONE, theme="light")
    page = await open_page(context, atelier.url)
    await act(page, "Settings").tap()
    async with context.expect_page() as opening:
        await page.locator("#settings").get_by_role("link", name="Help").tap()
    manual = await opening.value
    await manual.get_by_role("link", name="Button boxes: OSC").tap()
    await expect(manual.get_by_role("heading", level=1)).to_have_text("Button boxes: OSC")
    for theme, (width, height) in (("light", PHONE), ("dark", DESK)):
        await manual.set_viewport_size({"width": width, "height": height})
        await manual.evaluate("(theme) => { document.documentElement.dataset.theme = theme }", theme)
        assert await violations(manual) == [], theme
    await manual.set_viewport_size({"width": 320, "height": 640})
    pages = manual.get_by_role("navigation", name="Pages of the manual")
    await pages.get_by_role("link", name="The rig file", exact=True).tap()
    await manual.get_by_text("On this page").tap()
    await manual.get_by_role("group").get_by_role("link", name="doors.osc").tap()
    await expect(manual.get_by_role("heading", name="doors.osc")).to_be_in_viewport()
    assert await manual.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert await manual.locator("html").get_attribute("data-theme") == "light"
    await context.close()


async def test_targets_are_large_and_nothing_is_wider_than_the_screen(phone: Page, atelier: Studio) -> None:
    """Also 320 CSS px wide without scrolling sideways: WCAG 2.2, 1.4.10."""
    for width, height in (*PHONES, TABLET, DESK):
        await phone.set_viewport_size({"width": width, "height": height})
        small = await phone.evaluate(
            """(least) => [...document.querySelectorAll('button, [role=radio], a')]
            .filter((e) => e.offsetParent && !e.classList.contains('skip'))
            .map((e) => ({ box: e.getBoundingClientRect(), name: e.textContent }))
            .filter(({ box }) => box.width < least || box.height < least).map(({ name }) => name)""",
            LEAST_TARGET_PX,
        )
        assert small == [], f"{width} px wide"
        assert await clipped(phone) == [], f"{width} px wide"
        assert await clipped_in_the_routine(phone) == [], f"{width} px wide"
        assert await rows_of_the_header(phone) == 1, f"{width} px wide"
        assert await phone.evaluate("document.documentElement.scrollWidth <= innerWidth"), f"{width} px wide"


async def clipped_in_the_routine(page: Page) -> list[str]:
    """The same under the meter's routine, with all that can be pressed beside each of its chief buttons."""
    buttons = page.locator(".routine-foot .buttons button")
    await page.evaluate("document.body.dataset.view = 'routine'; routine.hidden = false")
    await buttons.evaluate_all("(all) => { for (const one of all) one.hidden = one.matches('.chief') }")
    found = []
    for chief in await page.locator(".routine-foot .buttons .chief").all():
        await chief.evaluate("(one) => { one.hidden = false }")
        found += await clipped(page)
        await chief.evaluate("(one) => { one.hidden = true }")
    await page.evaluate("delete document.body.dataset.view; routine.hidden = true")
    return found


async def test_text_can_be_twice_as_large(browser: Browser, atelier: Studio) -> None:
    """WCAG 2.2, 1.4.4: text to 200 % without loss."""
    context = await look_at(browser, TABLET)
    page = await context.new_page()
    devtools = await context.new_cdp_session(page)
    await devtools.send("Page.setFontSizes", {"fontSizes": {"standard": 32, "fixed": 26}})
    await page.goto(atelier.url)
    await expect_live(page)
    assert await page.evaluate("getComputedStyle(document.body).fontSize") == "32px"
    assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    await context.close()


async def test_all_of_it_by_keyboard_with_the_focus_in_sight(browser: Browser, atelier: Studio) -> None:
    context = await look_at(browser, DESK, touch=False)
    page = await open_page(context, atelier.url)
    wanted = {
        "Settings",
        "fill 1/3 stop less",
        "ratio 3 to 1",
        "exposure 1 stop brighter",
        "Freeze",
        "Undo",
        "Dark",
    }
    reached: list[str] = []
    for _ in range(80):
        await page.keyboard.press("Tab")
        name, outline, covered = await page.evaluate(FOCUS)
        if name == "" or (reached and name == reached[0]):
            break
        reached.append(name)
        assert float(outline) >= 2, f"{name} has no visible focus"
        assert not covered, f"{name} is behind something when it has the focus"
    assert wanted <= set(reached)
    # The marks are one stop of the tab key, as radio buttons are.
    assert sum(name.startswith(("stool", "easel", "door")) for name in reached) == 1
    await act(page, "Freeze").focus()
    await page.keyboard.press("Enter")
    await atelier.until(lambda s: s["mode"] == "freeze")
    await act(page, "Settings").focus()
    await page.keyboard.press("Enter")
    await page.keyboard.press("Escape")
    await expect(act(page, "Settings")).to_be_focused()
    await context.close()


FOCUS = """() => {
  const one = document.activeElement;
  const style = getComputedStyle(one);
  const box = one.getBoundingClientRect();
  const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
  if (one === document.body) return ['', 0, false];
  const name = one.getAttribute('aria-label') || one.innerText.trim();
  const seen = one.contains(top) || (top && top.contains(one));
  const width = parseFloat(style.outlineWidth);
  return [name.replace(/^[^\\w]+/, ''), style.outlineStyle === 'none' ? 0 : width, !seen];
}"""


async def test_a_screen_reader_hears_how_it_ends(phone: Page, atelier: Studio) -> None:
    await spot(phone, "easel").tap()
    await expect(phone.locator("#aloud")).to_contain_text("Ratio 2.0 to 1")
    await act(phone, "Freeze").tap()
    await expect(phone.locator("#aloud")).to_contain_text("freeze.")
    for name in ("Ratio held", "Exposure off target"):
        await expect(phone.get_by_text(name)).to_be_visible()
    await expect(phone.get_by_role("img")).to_have_accessible_name(re.compile("4 of 4 heads give light"))


async def test_nothing_moves_by_itself(browser: Browser, atelier: Studio) -> None:
    """What the Layout Instability API adds up stays under 0.1: "good" by common practice, no source."""
    context = await look_at(browser)
    await context.add_init_script(
        "window.shift = 0; new PerformanceObserver((list) => { for (const e of list.getEntries())"
        " if (!e.hadRecentInput) window.shift += e.value; })"
        ".observe({ type: 'layout-shift', buffered: true });"
    )
    page = await open_page(context, atelier.url)
    for y in (0, 600, 1500):
        await page.evaluate("(y) => scrollTo(0, y)", y)
        await atelier.do(do="expose", by=3)
        await atelier.do(do="move", mark="door")
        await atelier.settled()
        atelier.wire.lose()
        await atelier.until(lambda s: s["drivers"]["wire"]["state"] == "lost")
        atelier.wire.recover()
        await atelier.do(do="expose", by=-3)
        await atelier.do(do="move", mark="stool")
        await atelier.settled()
        await page.wait_for_timeout(300)
    assert await page.evaluate("window.shift") < 0.1
    await context.close()


async def test_it_is_light_and_asks_nobody_else(browser: Browser, atelier: Studio) -> None:
    assert sum(len(file.body) for file in page_files().values()) < MOST_BYTES
    context = await look_at(browser)
    page = await context.new_page()
    asked: list[str] = []
    wrong: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: wrong.append(message.text))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    await page.goto(atelier.url)
    await expect(page.locator("#link-says")).to_contain_text("Live")
    await act(page, "Settings").tap()
    assert [url for url in asked if not url.startswith(atelier.url)] == []
    assert wrong == []
    await context.close()


async def test_feet_and_foot_candles(phone: Page, atelier: Studio) -> None:
    """1 ft = 0.3048 m exactly (international yard and pound agreement, 1959), so 1 fc = 1/0.3048^2 lx.

    By labels alone light is known to no more than two digits."""
    await act(phone, "Settings").tap()
    await phone.get_by_label("Feet and foot-candles").check()
    await act(phone, "Done").tap()
    head = atelier.state["heads"][0]
    assert head["uncertainty_stops"] > 0.5
    foot_candles = head["lux"] * 0.3048**2
    assert 10 < foot_candles < 99
    await expect(phone.locator("#heads tbody tr").first.locator(".lux")).to_have_text(
        f"{foot_candles:.0f} fc"
    )
    away = math.dist(atelier.running.rig.marks["easel"], atelier.running.rig.marks["stool"]) / 0.3048
    await expect(spot(phone, "easel")).to_contain_text(f"{away:.1f} ft")
    await phone.reload()
    await expect(spot(phone, "easel")).to_contain_text(f"{away:.1f} ft")


async def test_the_screen_is_dark_unless_asked_otherwise(browser: Browser, atelier: Studio) -> None:
    context = await browser.new_context(color_scheme="light")
    page = await open_page(context, atelier.url)
    dark = await page.evaluate(GROUND)
    await act(page, "Settings").click()
    await page.get_by_label("As the device").check()
    assert await page.evaluate(GROUND) > 0.8
    await page.emulate_media(color_scheme="dark")
    await expect(page.locator("html")).to_have_attribute("data-theme", "dark")
    assert await page.evaluate(GROUND) == dark < 0.1
    await context.close()


GROUND = """() => {
  const parts = getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number);
  return (parts[0] + parts[1] + parts[2]) / 765;
}"""


async def test_a_bearing_is_where_the_head_stands(phone: Page, atelier: Studio) -> None:
    """Plane trigonometry: the key stands 1.5 m to the right as the camera sees it and 1.3 m towards it,
    atan(1.5/1.3) = 49 degrees to the left of the subject that faces the camera, and 0.85 m higher,
    atan(0.85/1.985) = 23 degrees up."""
    row = phone.locator("#heads tbody tr").first
    await expect(row).to_contain_text("49° camera right, 23° up")
    turn = await phone.locator("#rose .head.key").get_attribute("transform")
    assert turn is not None
    assert float(turn[7:-1]) == pytest.approx(-49.1, abs=0.1)
    await act(phone, "Settings").tap()
    await phone.get_by_label("At the bottom").check()
    await act(phone, "Done").tap()
    await expect(phone.locator("#rose .head.key")).to_have_attribute("transform", "rotate(130.9)")


async def test_words_around_the_rose_lie_beside_each_other(phone: Page, atelier: Studio) -> None:
    for bearings in ([], [0.0], [0.22, 0.6], [-0.3, 0.3], [-0.5, -0.1, 0.2, 0.5]):
        for up in (-1, 1):
            boxes = await phone.evaluate(AROUND, [bearings, up])
            assert len(boxes) == 2 * len(bearings) + 1
            for i, one in enumerate(boxes):
                for other in boxes[i + 1 :]:
                    wide = min(one["right"], other["right"]) - max(one["left"], other["left"])
                    # The two lines of one label touch.
                    high = min(one["bottom"], other["bottom"]) - max(one["top"], other["top"]) - 3
                    assert wide <= 0 or high <= 0, f"{bearings}, {up}: {one['said']} on {other['said']}"


AROUND = """async ([bearings, up]) => {
  const { LabelRing } = await import("/page/hold/rose_labels.js");
  const group = document.querySelector("#rose .names").cloneNode(false);
  document.querySelector("#rose").append(group);
  const bearing = (turn) => (up < 0 ? turn : Math.PI - turn);
  const head = { text: "22.6 lx", at: null };
  const heads = bearings.map((turn, i) => ({ ...head, name: `fill-high-${i}`, angle: bearing(turn) }));
  new LabelRing(group).show(heads, 122, 328, up);
  const boxes = [...group.querySelectorAll("text")].map((text) => {
    const { left, right, top, bottom } = text.getBoundingClientRect();
    return { said: text.textContent, left, right, top, bottom };
  });
  group.remove();
  return boxes;
}"""


async def test_a_number_of_stops_has_the_noun_of_the_digits_shown(phone: Page) -> None:
    said = await phone.evaluate(
        """async () => {
          const words = await import("/page/shared/words.js");
          const whole = [1.3, -1.3, 1.6, 0.4].map((value) => words.stops(value, true, 0));
          return [...whole, words.stops(1.004), words.stops(1.25), words.around(1.02), words.around(2.4)];
        }"""
    )
    one = ["+1 stop", "\u22121 stop", "+2 stops", "0 stop", "+1.00 stop", "+1.25 stops"]
    assert said == [*one, "±1.0 stop", "±2 stops"]
