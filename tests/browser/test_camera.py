"""A label held before the camera of a real browser. The camera's picture is a file, the rest is real."""

import re
from pathlib import Path

import numpy as np
import pytest
import segno
from playwright.sync_api import Playwright, expect

from tests.conftest import CHROMIUM, CHROMIUM_ARGUMENTS
from tests.services.shop import live_shop, run_manage

from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser
WIDTH, HEIGHT, MODULE_PX = 640, 480, 6
FIRST_CODE = "from spools.models import Spool; print(Spool.objects.filter(ended_at=None).first().code)"


def video_of(text: str, path: Path) -> None:
    """Two still pictures of a QR code on white, as Chromium takes it for a camera (YUV4MPEG2)."""
    modules = np.array([list(row) for row in segno.make(text, micro=False).matrix])
    code = np.kron(np.where(modules, 16, 235), np.ones((MODULE_PX, MODULE_PX))).astype(np.uint8)
    brightness = np.full((HEIGHT, WIDTH), 235, np.uint8)
    top, left = (HEIGHT - code.shape[0]) // 2, (WIDTH - code.shape[1]) // 2
    brightness[top : top + code.shape[0], left : left + code.shape[1]] = code
    frame = b"FRAME\n" + brightness.tobytes() + bytes([128]) * (WIDTH * HEIGHT // 2)
    path.write_bytes(f"YUV4MPEG2 W{WIDTH} H{HEIGHT} F10:1 Ip A1:1 C420jpeg\n".encode() + 2 * frame)


def test_the_camera_opens_the_spool_of_a_label_and_the_page_shows_when_there_is_no_camera(
    playwright: Playwright, tmp_path: Path
) -> None:
    video = tmp_path / "label.y4m"
    with live_shop(demo=True) as shop:
        code = run_manage(shop.env, "shell", "-v", "0", "-c", FIRST_CODE).strip()
        video_of(f"{shop.url}/S/{code}".upper(), video)
        camera = [
            "--use-fake-device-for-media-stream",
            "--use-fake-ui-for-media-stream",
            f"--use-file-for-fake-video-capture={video}",
        ]
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS + camera)
        page = browser.new_page(viewport={"width": 390, "height": 800})
        # The console lists scripts that the page's own policy blocks.
        refused: list[str] = []
        page.on("console", lambda said: refused.append(said.text) if said.type == "error" else None)
        sign_in_as_told(newcomer := Newcomer(page, shop))
        newcomer.go("/scan/")
        newcomer.tap("Use the camera")
        page.wait_for_url(re.compile(f"/s/{code}/$", re.IGNORECASE))
        expect(page.get_by_role("heading", name="May it be printed now?")).to_be_visible()
        browser.close()
        assert refused == []

        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
        page = browser.new_page(viewport={"width": 390, "height": 800})
        sign_in_as_told(newcomer := Newcomer(page, shop))
        newcomer.go("/scan/")
        newcomer.tap("Use the camera")
        newcomer.sees("Type the code.")
        expect(page.get_by_role("button", name="Use the camera")).to_be_enabled()
        browser.close()
