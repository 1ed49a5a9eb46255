"""Labels printed by a real Chromium, drawn at the dots of label printers, and read by a decoder that is not ours."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from playwright.sync_api import Browser

from tests.services.shop import live_shop, run_manage

from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser
CSS_DPI, INCH_MM = 96, 25.4
CODES = (
    "from spools.models import Place, Spool; from maintenance.models import Fitting;"
    "print(','.join(s.code for s in Spool.objects.all()[:12]));"
    "print(','.join(str(p.pk) for p in Place.objects.all()[:3]));"
    "print(','.join(str(f.part_id) for f in Fitting.objects.filter(end=None)[:3]))"
)
SMALL_ROLL, LARGE_ROLL, SHEET = "62x29", "100x62", "210x297-4x10-48.5x25.4-8x21.5-0x0"


@pytest.mark.parametrize("dpi", [203, 300])
def test_each_code_of_a_roll_and_of_a_whole_sheet_is_read_from_paper(
    chromium: Browser, tmp_path: Path, dpi: int
) -> None:
    with live_shop(demo=True) as shop:
        spools, places, parts = run_manage(shop.env, "shell", "-v", "0", "-c", CODES).split()
        # As wide as the sheet in the dots of a screen: a phone's view is drawn smaller.
        with chromium.new_context(
            viewport={"width": 1440, "height": 900}, device_scale_factor=dpi / CSS_DPI
        ) as context:
            page = context.new_page()
            sign_in_as_told(newcomer := Newcomer(page, shop))
            for paper, query in (
                (SMALL_ROLL, f"spools={spools.split(',')[0]}"),
                (LARGE_ROLL, f"places={places.split(',')[0]}"),
                (SHEET, f"spools={spools}&places={places}&parts={parts}&start=3"),
            ):
                newcomer.go(f"/labels/?{query}&paper={paper}")
                newcomer.page.emulate_media(media="print")
                wanted = page.locator("[data-label] [role=img]").evaluate_all(
                    "them => them.map(it => it.ariaLabel)"
                )
                boxes = [label.bounding_box() for label in page.locator("[data-label]").all()]
                page.screenshot(path=tmp_path / "paper.png", full_page=True)
                page.emulate_media(media="screen")
                read = [_decode(tmp_path / "paper.png", box, dpi / CSS_DPI) for box in boxes]
                assert [text and text in label for text, label in zip(read, wanted, strict=True)] == [
                    True
                ] * len(wanted)
            width, height = (boxes[0][name] * INCH_MM / CSS_DPI for name in ("width", "height"))
            assert (width, height) == pytest.approx((48.5, 25.4), abs=0.1) and len(wanted) == 18
            if dpi == 203:
                _require_one_page(newcomer, spools)


def _decode(path: Path, box: dict, scale: float) -> str:
    """The text of the code in a part of a picture; empty: none is found."""
    picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    left, top, right, bottom = (
        round(scale * edge)
        for edge in (box["x"], box["y"], box["x"] + box["width"], box["y"] + box["height"])
    )
    # What a printer of black dots makes of it.
    label = np.where(picture[top:bottom, left:right] < 128, 0, 255).astype(np.uint8)
    return str(cv2.QRCodeDetector().detectAndDecode(label)[0])


def _require_one_page(newcomer: Newcomer, spools: str) -> None:
    """A roll of one label and a sheet print on one page of their own size."""
    for paper, size in ((SMALL_ROLL, (62, 29)), (SHEET, (210, 297))):
        newcomer.go(f"/labels/?spools={spools.split(',')[0]}&paper={paper}")
        newcomer.page.emulate_media(media="print")
        pdf = newcomer.page.pdf(prefer_css_page_size=True)
        assert pdf.count(b"/Type /Page\n") == 1
        box = pdf.split(b"/MediaBox [")[1].split(b"]")[0].split()
        assert [float(number) * INCH_MM / 72 for number in box[2:]] == pytest.approx(size, abs=0.5)
