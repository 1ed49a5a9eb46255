"""Looks at every page of the demo shop as people with other screens and other needs see it: python -m tests.browser.sweep

It follows the links of all pages, a few of each address, and lists per page: what axe finds with all details open, what
scrolls sideways, moves, or cannot be reached by the keyboard. With --pdf FOLDER it prints each page as a PDF. It takes
some minutes; the tests look at a part of it in each run (test_accessibility.py).
"""

import argparse
import re
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urljoin, urlsplit

from playwright.sync_api import Browser, Page, sync_playwright

from tests.services.shop import Shop, live_shop, run_manage

from .test_accessibility import axe_violations
from .walk import Newcomer, sign_in_as_told

WIDTHS = [320, 360, 390, 768, 1440, 2560]
# A page of 1440 pixels at 200 per cent has the room of one of 720.
ZOOMED = 720
AXE_WIDTHS = [390, 1440]
SCHEMES = ["light", "dark"]
EACH = 2
NO_PAGES = re.compile(r"^/(api|admin|static|sign-out|calendar)|\.(ics|csv|zip|png|js|webmanifest)$")
OPEN_ALL = "document.querySelectorAll('details').forEach((details) => (details.open = true))"
SIDEWAYS = "document.documentElement.scrollWidth > innerWidth"
MOVING = "document.getAnimations().filter((animation) => animation.playState === 'running').length"
# The focusable elements of a page, and those that the tabulator has reached.
FOCUSABLE = """[...document.querySelectorAll('a[href], button, input, select, textarea, summary, [tabindex="0"]')].filter(
  (element) => element.checkVisibility() && !element.disabled && element.type !== 'hidden' && element.tabIndex >= 0
    && !(element.type === 'radio' && document.querySelector(`[name="${element.name}"]:checked`) !== element)).length"""
REACHED = "window.reached ??= new Set(), reached.add(document.activeElement), document.activeElement === document.body"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pdf", type=Path, help="the folder for the printed pages")
    parser.add_argument("--language", default="en-GB", help="of the browser")
    options = parser.parse_args()
    found: dict[str, set[str]] = defaultdict(set)
    with live_shop(demo=True) as shop, sync_playwright() as playwright:
        run_manage(shop.env, "work_once")
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        with signed_in(browser, shop, locale=options.language) as page:
            paths = list(list_pages(page, shop.url))
            cookies = page.context.cookies()
        for scheme in SCHEMES:
            given: dict[str, Any] = {
                "color_scheme": scheme,
                "locale": options.language,
                "reduced_motion": "reduce",
            }
            with browser.new_context(**given) as context:
                context.add_cookies(cookies)
                page = context.new_page()
                for path in paths:
                    look_at(page, shop.url + path, f"{scheme} ", found[path])
        with browser.new_context(forced_colors="active", viewport={"width": 390, "height": 844}) as context:
            context.add_cookies(cookies)
            page = context.new_page()
            for path in paths:
                page.goto(shop.url + path)
                found[path].update(f"axe, forced colours: {rule}" for rule in axe_violations(page))
                walk_by_keyboard(page, found[path])
                if options.pdf:
                    options.pdf.mkdir(exist_ok=True)
                    name = re.sub(r"\W+", "_", path).strip("_") or "today"
                    page.pdf(path=options.pdf / f"{name}.pdf", format="A4")
        browser.close()
    for path, findings in sorted(found.items()):
        if findings:
            print(path, *sorted(findings), sep="\n  ")
    print(f"{len(paths)} pages, {sum(map(len, found.values()))} findings")


@contextmanager
def signed_in(browser: Browser, shop: Shop, **options: Any) -> Iterator[Page]:
    with browser.new_context(**options) as context:
        page = context.new_page()
        sign_in_as_told(Newcomer(page, shop))
        yield page


def list_pages(page: Page, url: str) -> Iterator[str]:
    """The paths of the pages that links lead to, some of each kind of address."""
    todo, known, kinds = ["/"], {"/"}, Counter[str]()
    while todo:
        path = todo.pop(0)
        answer = page.request.get(urljoin(url, path))
        assert answer.ok, (path, answer.status)
        if "html" not in answer.headers.get("content-type", ""):
            continue
        yield path
        for link in re.findall(r'href="(/[^"#]*)', answer.text()):
            link = link.replace("&amp;", "&")
            address = urlsplit(link).path
            kind = re.sub(r"\d+", "N", re.sub(r"/s/\w{6}", "/s/CODE", address))
            if link in known or NO_PAGES.search(address) or kinds[kind] >= EACH:
                continue
            known.add(link)
            kinds[kind] += 1
            todo.append(link)


def look_at(page: Page, address: str, which: str, findings: set[str]) -> None:
    """At all widths, with the details closed and open."""
    page.goto(address)
    for width in [*WIDTHS, ZOOMED]:
        page.set_viewport_size({"width": width, "height": 844 if width < 700 else 900})
        if page.evaluate(SIDEWAYS):
            findings.add(f"scrolls sideways at {width}")
        if width in AXE_WIDTHS:
            findings.update(f"axe, {which}{width}: {rule}" for rule in axe_violations(page))
    if page.evaluate(MOVING):
        findings.add("moves although motion is to be reduced")
    page.evaluate(OPEN_ALL)
    for width in AXE_WIDTHS:
        page.set_viewport_size({"width": width, "height": 844})
        if page.evaluate(SIDEWAYS):
            findings.add(f"scrolls sideways at {width} with details open")
        findings.update(f"axe, {which}{width}, open: {rule}" for rule in axe_violations(page))


def walk_by_keyboard(page: Page, findings: set[str]) -> None:
    """The tabulator reaches whatever can be acted on, and leaves it again."""
    wanted, reached, ends = page.evaluate(FOCUSABLE), 0, 0
    # Twice around, since a page may begin with a field in its middle.
    for _ in range(2 * wanted + 20):
        page.keyboard.press("Tab")
        ends += page.evaluate(REACHED)
        reached = page.evaluate("reached.size - (reached.has(document.body) ? 1 : 0)")
        if reached >= wanted or ends > 2:
            break
    if reached < wanted:
        findings.add(f"the keyboard reaches {reached} of {wanted}")


if __name__ == "__main__":
    main()
