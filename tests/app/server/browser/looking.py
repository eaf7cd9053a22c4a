"""What is looked for on every page: barriers, and whatever is wider than the screen."""

from __future__ import annotations

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

NARROW, WIDE = 360, 1600
ALL_RULES = {
    "type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
}  # fmt: skip
OF_COLOURS = {"type": "rule", "values": ["color-contrast"]}  # all that can differ between light and dark


AXE = Axe().axe_script  # long: a page takes it once


def barriers(page: Page, rules: dict[str, object] = ALL_RULES) -> list[str]:
    """What the accessibility rules find on the page as it is shown now."""
    if not page.evaluate("typeof axe === 'object'"):
        page.evaluate(AXE)
    found: list[str] = page.evaluate(
        """(runOnly) => axe.run({ runOnly, resultTypes: ['violations'] })
        .then((told) => told.violations.flatMap(
            (rule) => rule.nodes.map((node) => `${rule.id}: ${node.html.slice(0, 160)}`)))""",
        rules,
    )
    return found


def beside_the_screen(page: Page) -> list[str]:
    """What makes the page wider than the screen, if anything does."""
    wide: list[str] = page.evaluate(
        """() => document.documentElement.scrollWidth <= innerWidth ? [] :
        [...document.querySelectorAll('main *, header *, footer *')]
        .filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest('.scroll, .picture'))
        .map((e) => e.outerHTML.slice(0, 160)).slice(0, 3).concat('the page is wider than the screen')"""
    )
    return wide


def wrong_with(page: Page) -> dict[str, list[str]]:
    """Everything wrong with the page that is open: narrow and wide, each in both colour schemes."""
    name = page.url.split("/", 3)[-1]
    wrong: dict[str, list[str]] = {}
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    for width, schemes in ((NARROW, ("light", "dark")), (WIDE, ("dark", "light"))):
        page.set_viewport_size({"width": width, "height": 900})
        wrong[f"/{name} at {width}"] = beside_the_screen(page)
        for scheme, rules in zip(schemes, (ALL_RULES, OF_COLOURS), strict=True):
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]  # one of the two it knows
            wrong[f"/{name} at {width}, {scheme}"] = barriers(page, rules)
    return {shown: each for shown, each in wrong.items() if each}
