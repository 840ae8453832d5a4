"""The whole main job in a real Chromium, from the set-up link to the inspection report, on the pages alone.

At the width of a phone and of a desk, and once without JavaScript. No console error, no fault of a script and
no request that leaves the host. The label before the camera is what the house prints, as PDFium shows it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect, sync_playwright

from inventory.rules.label_text import LabelText
from inventory.services import labs
from tests import factories
from tests.web.test_browser import fits, watched
from tests.web.test_scanning import film

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.once]
CLUB = "/labs/oat-and-leaf-club/"
LIST = (
    "Bottle;What;Size;Left;Opened;Kept in\n"
    "E-1;diethyl ether;1000 mL;800 mL;{opened};Vented cabinet\n"
    "F-1;diethyl ether;500 mL;50 mL;{opened};Vented cabinet\n"
    "A-1;ethyl acetate;1000 mL;900 mL;{opened};Shelf\n"
)
BOTTLE, FLASK = "E-1", "F-1"
PATIENCE = 60_000
CAMERA = ["--no-sandbox", "--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream"]


@dataclass(frozen=True)
class Story:
    """A page on its way through the lab. scripted: whether the browser runs scripts."""

    page: Page
    scripted: bool
    refused: list[str]

    def to(self, path: str) -> None:
        """Go there; the page fits."""
        answer = self.page.goto(CLUB + path)
        assert answer is not None
        assert answer.status == 200, path
        if self.scripted:
            fits(self.page)

    def send(self, button: str, **told: str) -> None:
        """Fill in the form that has this button, by the names of its fields, and press it."""
        form = self.page.locator("main form").filter(
            has=self.page.get_by_role("button", name=button, exact=True)
        )
        for name, value in told.items():
            field = form.locator(f"[name={name}]")
            if field.evaluate("field => field.tagName") == "SELECT":
                field.select_option(value)
            else:
                field.fill(value)
        form.get_by_role("button", name=button, exact=True).click()
        # Whoever leaves the page before the answer is there finds the form among what waits.
        expect(self.page.locator("main form button:disabled")).to_have_count(0, timeout=PATIENCE)
        self.page.wait_for_load_state()

    def says(self, words: str) -> None:
        expect(self.page.locator("main")).to_contain_text(words, timeout=PATIENCE)


@pytest.fixture
def secret(transactional_db: None) -> str:
    made = labs.setup_link_create(now=timezone.now())
    assert made
    return made


@contextmanager
def chromium_with_camera(chromium: Path, film_of: Path) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        camera = [*CAMERA, f"--use-file-for-fake-video-capture={film_of}"]
        browser = playwright.chromium.launch(executable_path=str(chromium), args=camera)
        yield browser
        browser.close()


@pytest.mark.parametrize(("width", "scripted"), [(390, True), (1280, True), (390, False), (1280, False)])
def test_the_main_job_from_the_set_up_link_to_the_report(
    secret: str, live_server: Any, chromium: Path, tmp_path: Path, width: int, scripted: bool
) -> None:
    address = f"{live_server.url}{CLUB}containers/{BOTTLE}/"
    film(LabelText(name="diethyl ether", code=BOTTLE, address=address), tmp_path / "camera.y4m")
    options = {"viewport": {"width": width, "height": 844}, "java_script_enabled": scripted}
    with (
        chromium_with_camera(chromium, tmp_path / "camera.y4m") as browser,
        watched(browser, live_server.url, **options) as (page, seen),
    ):
        page.set_default_timeout(PATIENCE)
        story = Story(page, scripted, [])
        set_up(story, secret)
        bring_in(story)
        scan(story, address)
        draw(story)
        run = start(story)
        pass_the_gate(story, run)
        bring_back(story, run)
        close(story, run)
        look(story, run)
        print_out(story)
    # Chromium itself writes to the console that a form was answered with 400.
    assert [line for line in seen if "status of 400" not in line] == []
    assert len(seen) <= len(story.refused)


def set_up(story: Story, secret: str) -> None:
    story.page.goto(f"/enter/{secret}/")
    story.send(
        "Make my account and the lab",
        username="ada", password=factories.PASSWORD, again=factories.PASSWORD,
        lab_name="Oat and Leaf Club", time_zone="Europe/Dublin",
    )  # fmt: skip
    story.says("Bring in the list you keep already")


def bring_in(story: Story) -> None:
    """A list whose rows are looked at and then entered."""
    story.to("import/")
    opened = f"{timezone.now():%Y-%m-%d}"
    sheet: Any = {"name": "list.csv", "mimeType": "text/csv", "buffer": LIST.format(opened=opened).encode()}
    story.page.locator("[name=file]").set_input_files([sheet])
    story.send("Send it and look", target="stock")
    story.says("3 rows can be entered")
    story.send("Enter 3 rows")
    story.to("shelf/")
    for code in (BOTTLE, FLASK, "A-1"):
        story.says(code)


def scan(story: Story, address: str) -> None:
    """With the camera; where scripts are off, the code is typed."""
    story.to("scan/")
    if story.scripted:
        story.page.get_by_role("button", name="Start the camera").click()
        story.page.wait_for_url(address, timeout=PATIENCE)
    else:
        story.send("Open the container", code=BOTTLE)
    expect(story.page.locator("h1")).to_contain_text(BOTTLE)


def draw(story: Story) -> None:
    story.send("Record the draw", amount="25")
    story.says("775.0")


def start(story: Story) -> str:
    """A run that distils; returns its place among the addresses."""
    story.to("runs/start/")
    story.send("Start the run", purpose="fat in oat biscuits", distils="yes")
    story.says("The run is open.")
    return story.page.url.split(CLUB)[1]


def pass_the_gate(story: Story, run: str) -> None:
    """Refused with its reason before there is a test, let through after one that passes."""
    charge = f"{run}charge/?container={BOTTLE}"
    story.to(charge)
    story.send("Record the charge", amount="200")
    story.refused.append(charge)
    story.says("a passed test comes before distilling")
    story.says("Source:")
    expect(story.page.locator("main [name=amount]")).to_have_value("200")
    story.to(f"containers/{BOTTLE}/test/")
    story.send("Record the test", reading="neg", method="strip-25", tested_on=f"{timezone.now():%Y-%m-%d}")
    story.says("The test is recorded.")
    story.to(charge)
    story.send("Record the charge", amount="200")
    story.says("Charged.")


def bring_back(story: Story, run: str) -> None:
    story.to(f"{run}return/?container={FLASK}")
    story.send("Record what came back", amount="170", state="dried")
    story.says("it came back")


def close(story: Story, run: str) -> None:
    """By hand: 200 out, 170 back, 20 named as residue, so 10 mL that nobody can name."""
    story.to(f"{run}close/")
    story.says("30.0")
    field = story.page.locator("[name^=loss_][name$=still-residue]").get_attribute("name")
    assert field is not None
    story.send("Close the run", **{field: "20"})
    story.says("The run is closed.")
    # Both jugs were read by eye, which says no more than that.
    story.says("20.0 ± 5.8 mL")
    story.says("10 ± 31 mL")


def look(story: Story, run: str) -> None:
    """The balance as it was closed, and the chart of losses: 30 of 200 mL is 15 %."""
    story.to(run)
    story.to("recovery/")
    story.says("15.0")
    chosen = story.page.locator("[name=solvent] option").filter(has_text="diethyl ether")
    story.to(f"recovery/?solvent={chosen.get_attribute('value')}")
    for picture in story.page.locator("main img").all():
        picture.scroll_into_view_if_needed()
        expect(picture).to_have_js_property("complete", True, timeout=PATIENCE)
        assert picture.evaluate("picture => picture.naturalWidth") > 100


def print_out(story: Story) -> None:
    """The label of the bottle and the report for an inspection, as the forms ask for them."""
    story.to(f"labels/?codes={BOTTLE}")
    for path in (f"labels.pdf?codes={BOTTLE}&size=medium", "inspection.pdf"):
        if path.startswith("inspection"):
            story.to("inspection/")
        answer = story.page.request.get(CLUB + path)
        assert answer.status == 200, path
        assert answer.body().startswith(b"%PDF-"), path
