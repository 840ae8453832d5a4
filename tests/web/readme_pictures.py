"""Takes the pictures of the README from the demo in Chromium: `python -m tests.web.readme_pictures`.

Run with the project's own Python (`.venv/bin/python`). The demo's dates hang on today, so its pictures differ
a little from day to day; take them again when a page that they show has changed.
"""

from __future__ import annotations

import io
import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from tests import servers
from tests.house.code import ROOT
from tests.house.test_up import running

LAB = "/labs/crumb-and-leaf/"
FOLDER = ROOT / ".pictures"
BYTES_MAX = 120_000
#: fewer are kept until a picture is small enough; text stays sharp
COLOURS = (256, 128, 64, 32)
PHONE, DESK = {"width": 390, "height": 844}, {"width": 960, "height": 900}
CHOSEN = "recovery/?{ether}&purpose=fat+in+biscuits,+still+2"
LOGIN = re.compile(r"Login: (\S+) +Password: (\S+)")


@dataclass(frozen=True)
class Picture:
    """path: below the lab's address. follow: a link on that page to go on by. start: what is scrolled to."""

    name: str
    path: str
    size: dict[str, int]
    follow: str = ""
    start: str = ""
    dark: bool = False


PICTURES = (
    Picture("today", "", PHONE, start="[id=due]"),
    Picture("container", "shelf/?q=tetrahydrofuran", PHONE, follow="main .bottle a[href*='/containers/']"),
    Picture("run", CHOSEN, DESK, follow="[aria-labelledby=behind] .bottle a", start="[id=balance]"),
    Picture("recovery", CHOSEN, DESK, start="[id=chart]"),
    Picture("plan", "plan/?{ether}&water=100&k=3&portions=3", DESK, start="[id=plan-portions]", dark=True),
    Picture("balance", "solvent-balance/", DESK, start="[id=picture]"),
)


def small(png: bytes) -> bytes:
    """The same picture with so few colours that it fits."""
    from PIL import Image

    picture = Image.open(io.BytesIO(png)).convert("RGB")
    for colours in COLOURS:
        kept = io.BytesIO()
        picture.quantize(colours, dither=Image.Dither.NONE).save(kept, "PNG", optimize=True)
        if kept.tell() <= BYTES_MAX:
            return kept.getvalue()
    raise AssertionError("a picture does not fit, however few its colours")


@contextmanager
def signed_in(browser: Browser, address: str, said: str, picture: Picture) -> Iterator[Page]:
    told = LOGIN.search(said)
    assert told is not None
    context = browser.new_context(
        base_url=address, viewport=picture.size, color_scheme="dark" if picture.dark else "light",  # type: ignore[arg-type]
        reduced_motion="reduce",
    )  # fmt: skip
    page = context.new_page()
    page.goto(f"/login/?next={LAB}")
    page.fill("[name=username]", told[1])
    page.fill("[name=password]", told[2])
    page.press("[name=password]", "Enter")
    page.wait_for_selector(".top")
    yield page
    context.close()


def taken(page: Page, picture: Picture) -> bytes:
    """What a person sees who went there."""
    page.goto(f"{LAB}recovery/")
    ether = page.locator("[name=solvent] option").filter(has_text="diethyl ether").get_attribute("value")
    page.goto(f"{LAB}{picture.path.format(ether=f'solvent={ether}')}", wait_until="networkidle")
    if picture.follow:
        page.locator(picture.follow).first.click()
        page.wait_for_load_state("networkidle")
    for _ in range(2 if picture.start else 0):
        # Pictures further down come only when they are near, and push the rest on.
        page.locator(picture.start).first.evaluate("part => part.scrollIntoView()")
        page.wait_for_timeout(1500)
    return page.screenshot()


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as home,
        running(Path(home), "demo") as server,
        sync_playwright() as playwright,
    ):
        chromium = servers.chromium_program()
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for picture in PICTURES:
            with signed_in(browser, server.address, server.said, picture) as page:
                body = small(taken(page, picture))
            (FOLDER / f"{picture.name}.png").write_bytes(body)
            print(f"{picture.name}.png: {len(body)} bytes")
        browser.close()


if __name__ == "__main__":
    main()
