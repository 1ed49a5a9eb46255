"""Labels printed by a real Chromium, drawn at the dots of label printers, and read by a decoder that is not ours."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from playwright.sync_api import Browser, Page

from tests.services.shop import Shop, run_manage

from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser
CSS_DPI, INCH_MM = 96, 25.4
CODES = (
    "from spools.models import Place, Spool; from maintenance.models import Fitting;"
    "print(','.join(s.code for s in Spool.objects.all()[:12]));"
    "print(','.join(str(p.pk) for p in Place.objects.all()[:3]));"
    "print(','.join(str(f.part_id) for f in Fitting.objects.filter(end=None)[:3]))"
)
SMALL_ROLL, SHEET = "62x29", "210x297-4x10-48.5x25.4-8x21.5-0x0"


def test_each_code_of_a_roll_and_of_a_whole_sheet_is_read_from_paper(
    chromium: Browser, demo_shop: Shop, tmp_path: Path
) -> None:
    spools, places, parts = run_manage(demo_shop.env, "shell", "-v", "0", "-c", CODES).split()
    first = f"spools={spools.split(',')[0]}"
    sheet = f"spools={spools}&places={places}&parts={parts}&start=3"
    for dpi, printed in ((203, [(SMALL_ROLL, first), (SHEET, sheet)]), (300, [(SHEET, sheet)])):
        # As wide as the sheet in the dots of a screen: a phone's view is drawn smaller.
        with chromium.new_context(
            viewport={"width": 1440, "height": 900}, device_scale_factor=dpi / CSS_DPI
        ) as context:
            page = context.new_page()
            sign_in_as_told(newcomer := Newcomer(page, demo_shop))
            for paper, query in printed:
                newcomer.go(f"/labels/?{query}&paper={paper}")
                page.emulate_media(media="print")
                _require_read(page, tmp_path / "paper.png", dpi)
                if dpi == 203:
                    _require_one_page(page, paper)
                page.emulate_media(media="screen")


def _require_read(page: Page, path: Path, dpi: int) -> None:
    """Each label has a code that a decoder reads as the address that the label names."""
    labels = page.locator("[data-label]")
    addresses = labels.locator("[role=img]").evaluate_all("them => them.map(it => it.ariaLabel)")
    boxes = [label.bounding_box() for label in labels.all()]
    page.screenshot(path=path, full_page=True)
    read = [_decode(path, box, dpi / CSS_DPI) for box in boxes]
    assert addresses
    assert [text and text in named for text, named in zip(read, addresses, strict=True)] == [True] * len(read)


def _decode(path: Path, box: dict, scale: float) -> str:
    """The text of the code in a part of a picture; empty: none is found."""
    picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    left, top, right, bottom = (
        round(scale * edge)
        for edge in (box["x"], box["y"], box["x"] + box["width"], box["y"] + box["height"])
    )
    # What a printer of black dots makes of it.
    label = np.where(picture[top:bottom, left:right] < 128, 0, 255).astype(np.uint8)
    # Of 600 codes the plain detector misses about one that a second look at twice the size finds.
    larger = cv2.resize(label, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)
    looks = ((cv2.QRCodeDetectorAruco(), label), (cv2.QRCodeDetector(), larger))
    return next((text for reader, seen in looks if (text := reader.detectAndDecode(seen)[0])), "")


def _require_one_page(page: Page, paper: str) -> None:
    """A roll of one label and a sheet print on one page of their own size."""
    pdf = page.pdf(prefer_css_page_size=True)
    assert pdf.count(b"/Type /Page\n") == 1
    box = pdf.split(b"/MediaBox [")[1].split(b"]")[0].split()
    size = [float(length) for length in paper.split("-")[0].split("x")]
    assert [float(number) * INCH_MM / 72 for number in box[2:]] == pytest.approx(size, abs=0.5)
