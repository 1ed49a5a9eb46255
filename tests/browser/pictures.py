"""Draws the pictures of docs/guide.md anew from the demo shop: python -m tests.browser.pictures

Each is what a phone of 390 pixels shows, cut to what the guide speaks of.
"""

from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Locator, Page, sync_playwright

from tests.services.shop import REPOSITORY, Shop, live_shop, run_manage

from .walk import Newcomer, sign_in_as_told

FOLDER = REPOSITORY / "docs" / "guide"
WIDTH, MOST_HEIGHT = 390, 720
# A nylon that lies on the shelf.
NYLON = "F4QT7X"


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    with live_shop(demo=True) as shop, sync_playwright() as playwright:
        run_manage(shop.env, "work_once")
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        # The pages' content policy refuses the style that save adds.
        page = browser.new_page(
            viewport={"width": WIDTH, "height": 844}, color_scheme="light", bypass_csp=True
        )
        sign_in_as_told(Newcomer(page, shop))
        for name, take in PICTURES.items():
            size = save(take(page, shop), FOLDER / f"{name}.png")
            print(f"{name:10} {size / 1000:6.1f} kB")
        browser.close()


def save(part: Locator, path: Path) -> int:
    """The part of the page from its top, no higher than a screen. Returns the size of the file in bytes."""
    # The rail of pages would cover a part of the picture.
    part.page.add_style_tag(content="header.rail { display: none } body { padding: 0 }")
    box = part.bounding_box()
    assert box is not None, path.name
    part.page.screenshot(
        path=path,
        clip={"x": 0, "y": box["y"], "width": WIDTH, "height": min(box["height"], MOST_HEIGHT)},
        full_page=True,
        animations="disabled",
    )
    return path.stat().st_size


def show(path: str, part: str) -> Callable[[Page, Shop], Locator]:
    """Takes the first part that matches on the page at the path."""

    def take(page: Page, shop: Shop) -> Locator:
        page.goto(shop.url + path)
        return page.locator(part).first

    return take


def follow(path: str, link: str, part: str) -> Callable[[Page, Shop], Locator]:
    """Takes the first part that matches on the page to which the first such link leads."""

    def take(page: Page, shop: Shop) -> Locator:
        page.goto(shop.url + path)
        page.locator("main").get_by_role("link", name=link).first.click()
        page.wait_for_load_state()
        return page.locator(part).first

    return take


PICTURES = {
    "today": show("/", "main"),
    "load": follow(f"/s/{NYLON}/load/", "Load on", "main"),
    "dry": follow(f"/s/{NYLON}/dry/", "Plan in Big dryer", "section[aria-label=Plan]"),
    "box": follow("/places/", "Dry box", "section[aria-labelledby=box]"),
    "moisture": show(f"/s/{NYLON}/", ".beside"),
    "machine": show("/machines/1/", "main"),
    "job": follow("/jobs/", "lamp foot", "main"),
    "reminders": show("/reminders/", "main"),
}

if __name__ == "__main__":
    main()
