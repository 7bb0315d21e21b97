"""axe-core, the checker of accessibility rules, as its package on PyPI brings it."""

from __future__ import annotations

from importlib.resources import files

from playwright.async_api import Page

AXE = (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")
"""axe-core as its package on PyPI brings it."""
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


OF_COLOUR = ["color-contrast", "link-in-text-block"]
"""The rules that can come out otherwise in the other theme."""
ASK = """async ({ rules, ofColour }) => {
  const ask = async (type, values) =>
    (await axe.run({ runOnly: { type, values }, resultTypes: ['violations'] })).violations;
  const root = document.documentElement, theme = root.dataset.theme;
  const found = await ask('tag', rules);
  root.dataset.theme = theme === 'dark' ? 'light' : 'dark';
  found.push(...await ask('rule', ofColour));
  root.dataset.theme = theme;
  return found.flatMap(({ id, nodes }) => nodes.map(({ html }) => `${id}: ${html.slice(0, 120)}`));
}"""


async def violations(page: Page) -> list[str]:
    """What axe-core finds in the page's theme, and of colours also in the other, one line each."""
    if not await page.evaluate("'axe' in window"):
        await page.evaluate(AXE)
    found: list[str] = await page.evaluate(ASK, {"rules": RULES, "ofColour": OF_COLOUR})
    return found
