"""axe-core, the checker of accessibility rules, as its package on PyPI brings it."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

from playwright.async_api import Page

AXE = (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")
"""axe-core as its package on PyPI brings it."""
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


async def violations(page: Page) -> list[str]:
    """What axe-core finds, one line each."""
    if not await page.evaluate("'axe' in window"):
        await page.evaluate(AXE)
    found: dict[str, Any] = await page.evaluate(
        "(rules) => axe.run({ runOnly: { type: 'tag', values: rules }, resultTypes: ['violations'] })", RULES
    )
    return [f"{one['id']}: {node['html'][:120]}" for one in found["violations"] for node in one["nodes"]]
