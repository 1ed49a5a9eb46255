"""A label held before the camera of a real browser. The camera's picture is a file, the rest is real."""

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import segno
from playwright.sync_api import Playwright, expect

from tests.conftest import CHROMIUM, CHROMIUM_ARGUMENTS
from tests.services.shop import Shop, run_manage

from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser
WIDTH, HEIGHT = 640, 480
FIRST_CODE = "from spools.models import Spool; print(Spool.objects.filter(ended_at=None).first().code)"


def video_of(
    text: str, path: Path, *, module_px: float = 6, tilt: float = 0, moves_px: int = 0, half_lit: bool = False
) -> None:
    """Pictures of a QR code on white, as Chromium takes them for a camera (YUV4MPEG2), again and again.

    tilt: of the label in its plane, degrees. moves_px: from one of ten pictures to the next. half_lit: light
    falls off to a third at the right.
    """
    modules = np.array([list(row) for row in segno.make(text, micro=False).matrix])
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    turned = np.radians(tilt)
    pictures = []
    for n in range(10 if moves_px else 2):
        left, up = x - WIDTH / 2 - moves_px * (n - 4.5), y - HEIGHT / 2
        column = (left * np.cos(turned) + up * np.sin(turned)) / module_px + modules.shape[1] / 2
        row = (up * np.cos(turned) - left * np.sin(turned)) / module_px + modules.shape[0] / 2
        inside = (column >= 0) & (row >= 0) & (column < modules.shape[1]) & (row < modules.shape[0])
        dark = np.zeros((HEIGHT, WIDTH), bool)
        dark[inside] = modules[row[inside].astype(int), column[inside].astype(int)]
        brightness = np.where(dark, 40.0, 220.0)
        if half_lit:
            brightness *= np.linspace(1, 1 / 3, WIDTH)
        pictures.append(
            b"FRAME\n" + brightness.astype(np.uint8).tobytes() + bytes([128]) * (WIDTH * HEIGHT // 2)
        )
    path.write_bytes(f"YUV4MPEG2 W{WIDTH} H{HEIGHT} F10:1 Ip A1:1 C420jpeg\n".encode() + b"".join(pictures))


# How a label is held before the camera.
HELD: dict[str, dict[str, Any]] = {
    "straight": {},
    "tilted": {"tilt": 25},
    "half lit": {"half_lit": True},
    "moving": {"moves_px": 12},
    "far": {"module_px": 2.2},
}


def test_the_camera_opens_the_spool_of_a_label_and_the_page_shows_when_there_is_no_camera(
    playwright: Playwright, demo_shop: Shop, tmp_path: Path
) -> None:
    video = tmp_path / "label.y4m"
    camera = [
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-video-capture={video}",
    ]
    code = run_manage(demo_shop.env, "shell", "-v", "0", "-c", FIRST_CODE).strip()
    address, cookies = f"{demo_shop.url}/S/{code}".upper(), []
    for held in [*HELD.values(), {"module_px": 1.3}]:
        video_of(address, video, **held)
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS + camera)
        context = browser.new_context(viewport={"width": 390, "height": 800})
        context.add_cookies(cookies)
        page = context.new_page()
        # The console lists scripts that the page's own policy blocks.
        refused: list[str] = []
        page.on("console", lambda said, to=refused: to.append(said.text) if said.type == "error" else None)
        newcomer = Newcomer(page, demo_shop)
        if not cookies:
            sign_in_as_told(newcomer)
            cookies = context.cookies()
        newcomer.go("/scan/")
        newcomer.tap("Use the camera")
        if held in HELD.values():
            page.wait_for_url(re.compile(f"/s/{code}/$", re.IGNORECASE))
            expect(page.get_by_role("heading", name="May it be printed now?")).to_be_visible()
        else:
            newcomer.sees(re.compile("ome nearer"))
        browser.close()
        assert refused == []

    browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
    page = browser.new_page(viewport={"width": 390, "height": 800})
    sign_in_as_told(newcomer := Newcomer(page, demo_shop))
    newcomer.go("/scan/")
    newcomer.tap("Use the camera")
    newcomer.sees("Type the code.")
    expect(page.get_by_role("button", name="Use the camera")).to_be_enabled()
    browser.close()
