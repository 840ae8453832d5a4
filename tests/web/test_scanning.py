"""A label as it is printed, held before the camera of a real Chromium, opens the page of its container.

The picture is the PDF of the label rendered by PDFium, and fed to Chromium as its camera.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import expect, sync_playwright

from inventory.rules.label_sheet import SIZES, labels_pdf
from inventory.rules.label_text import LabelText
from inventory.selectors.due import today_in
from tests import factories
from tests.web.test_browser import sign_in, watched

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.once]
WIDE, HIGH = 640, 480


def film(label: LabelText, path: Path) -> None:
    """The label as raw video: YUV 4:2:0 in a Y4M file, of which only the brightness matters."""
    import pypdfium2

    page = pypdfium2.PdfDocument(labels_pdf([label], SIZES["medium"], single=True))[0]
    picture = page.render(scale=150 / 72).to_pil().convert("L")
    picture.thumbnail((WIDE, HIGH))
    from PIL import Image

    canvas = Image.new("L", (WIDE, HIGH), 255)
    canvas.paste(picture, ((WIDE - picture.width) // 2, (HIGH - picture.height) // 2))
    frame = b"FRAME\n" + canvas.tobytes() + bytes([128]) * (WIDE * HIGH // 2)
    path.write_bytes(b"YUV4MPEG2 W%d H%d F10:1 Ip A1:1 C420jpeg\n" % (WIDE, HIGH) + frame * 3)


def test_a_label_before_the_camera_opens_its_container(
    transactional_db: None, live_server: Any, chromium: Path, tmp_path: Path
) -> None:
    at, now = factories.club(), timezone.now()
    held = factories.stocked(at, "diethyl-ether", now=now, received_on=today_in(at.lab, now))
    address = f"{live_server.url}/labs/{at.lab.slug}/containers/{held.code}/"
    film(LabelText(name="diethyl ether", code=held.code, address=address), tmp_path / "camera.y4m")
    with sync_playwright() as playwright:
        camera = [
            "--no-sandbox", "--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream",
            f"--use-file-for-fake-video-capture={tmp_path / 'camera.y4m'}",
        ]  # fmt: skip
        browser = playwright.chromium.launch(executable_path=str(chromium), args=camera)
        with watched(browser, live_server.url, viewport={"width": 390, "height": 844}) as (page, seen):
            page.goto("/login/")
            sign_in(page, at.member.username)
            page.goto(f"/labs/{at.lab.slug}/scan/")
            page.get_by_role("button", name="Start the camera").click()
            page.wait_for_url(address, timeout=60_000)
            expect(page.locator("h1")).to_contain_text(held.code)
        browser.close()
    assert seen == []
