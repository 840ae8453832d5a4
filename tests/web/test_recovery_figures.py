"""Figures behind pictures, comparisons, and what a plan advises: on pages."""

from __future__ import annotations

import csv
import io
import re
from typing import Any
from urllib.parse import urlencode

import pytest
from django.test import Client
from django.utils import timezone

from inventory.selectors.due import today_in
from inventory.services import safety
from recovery.models import Run
from recovery.services import runs
from recovery.services.run_facts import tell
from tests import factories
from tests.factories import Club
from tests.web.test_bench_pages import bottle, shown, where
from tests.web.test_recovery_pages import EXTRACTION, done_run, still

pytestmark = pytest.mark.django_db


@pytest.fixture
def at() -> Club:
    return factories.club()


def rows_of(client: Client, address: str) -> list[dict[str, str]]:
    answer = client.get(address)
    assert answer.status_code == 200, address
    assert answer["Content-Type"].startswith("text/csv")
    text = answer.getvalue().decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text)))


def test_every_picture_has_its_figures_as_a_file(client: Client, at: Club) -> None:
    """By hand: 50 + 10 of 200 + 300 mL lost is 0.12; run by run 0.25 and 0.0333."""
    one, two = still(at, "Still 1"), still(at, "Still 2")
    first = done_run(at, apparatus=[one])
    done_run(at, "300 mL", "290 mL", apparatus=[two], purpose="=fat in biscuits")
    ether = bottle(at, "tetrahydrofuran")
    now = timezone.now()
    safety.test_record(
        lab=at.lab, actor=at.member, now=now, container=ether, reading="5 mg/L", method="strip-25",
        tested_on=today_in(at.lab, now),
    )  # fmt: skip
    client.force_login(at.auditor)
    found = {}
    plan = "plan/?" + urlencode(EXTRACTION | {"solvent": factories.solvent("ethyl-acetate").pk})
    for page in (
        "recovery/",
        "solvent-balance/?solvent=ethyl-acetate",
        f"runs/{first.pk}/",
        f"containers/{ether.code}/",
        plan,
    ):
        text = shown(client, f"/labs/{at.lab.slug}/{page}")
        links = re.findall(r'href="([^"]+[.]csv[^"]*)" download', text)
        assert links, page
        found[page] = [rows_of(client, link) for link in links]
    rates, chart, flows = found["recovery/"]
    assert rates[0]["loss_fraction"] == "0.1200"
    assert [round(float(row["loss_fraction"]), 4) for row in chart] == [0.25, 0.0333]
    assert {(row["from"], row["to"]) for row in flows} >= {("run", "unaccounted")}
    (only,) = found["solvent-balance/?solvent=ethyl-acetate"]
    assert {row["solvent"] for row in only} == {"ethyl acetate"}
    (balance,) = found[f"runs/{first.pk}/"]
    assert balance[0]["volume_ul"] == "200000"
    (readings,) = found[f"containers/{ether.code}/"]
    assert [row["lower_mg_per_l"] for row in readings] != []
    (portions,) = found[plan]
    assert {row["way"] for row in portions} == {"for the wanted yield", "as much solvent in all"}
    by = rows_of(client, where(at, "recovery.csv").rstrip("/") + "?by=purpose")
    assert {row["purpose"] for row in by} == {"leaf pigments", "'=fat in biscuits"}
    assert client.get(where(at, "recovery.csv").rstrip("/") + "?table=moon").status_code == 404


def test_one_quantity_is_the_same_pair_wherever_a_page_shows_it(client: Client, at: Club) -> None:
    """GUM 7.2.6: two figures of the uncertainty at most, up where it is rounded, the value to its place."""
    run = done_run(at)
    # No water, so what is missing as booked is what is missing of the solvent.
    tell(lab=at.lab, actor=at.member, now=timezone.now(), run=run, facts={"water-volume": "0 mL"})
    client.force_login(at.auditor)
    page = shown(client, where(at, "runs", run.pk)).replace("\u00a0", " ")
    pair = re.search(r"([0-9.]+ ± [0-9.]+ mL) \(k = 2\)", page)
    assert pair is not None, "the heading"
    assert page.count(f">{pair[1]}</data>") == 3, "card, where the rest went, table"
    (charged,) = set(re.findall('<data value="200000">([^<]+)</data>', page))
    assert page.count(f">{charged}</data>") == 3, "card, reading, table"
    digits = re.sub(r"^0*[.]?0*", "", pair[1].split(" ± ")[1].removesuffix(" mL")).replace(".", "")
    assert len(digits) == 2
    (row,) = [one for one in rows_of(client, where(at, "runs", run.pk, "balance.csv").rstrip("/"))
              if one["code"] == "unexplained"]  # fmt: skip
    assert float(pair[1].split(" ± ")[1].removesuffix(" mL")) >= 2 * int(row["u_volume_ul"]) / 1000
    address = re.search(r'src="([^"]+/balance/picture/[^"]+)"', page)
    assert address is not None
    drawn = client.get(address[1].replace("&amp;", "&")).content.decode().replace("\u00a0", " ")
    assert drawn.count(pair[1]) >= 2, "words and bar of the picture"
    for listed in ("runs", "recovery"):
        assert f">{pair[1]}</data>" in shown(client, where(at, listed)).replace("\u00a0", " "), listed
    at.auditor.volume_unit = "L"
    at.auditor.save()
    litres = shown(client, where(at, "runs", run.pk)).replace("\u00a0", " ")
    (heading,) = set(re.findall(r"([0-9.]+ ± [0-9.]+ L) \(k = 2\)", litres))
    assert litres.count(f">{heading}</data>") == 3


def test_stills_and_purposes_stand_side_by_side_and_lead_to_their_runs(client: Client, at: Club) -> None:
    one, two = still(at, "Still 1"), still(at, "Still 2")
    first = done_run(at, apparatus=[one])
    second = done_run(at, "300 mL", "290 mL", apparatus=[two])
    done_run(at, apparatus=[one], purpose="fat in biscuits")
    client.force_login(at.member)
    text = shown(client, where(at, "recovery")).replace("\u00a0", " ")
    assert "Stills and purposes side by side: ethyl acetate" in text
    assert "Apparatus within each purpose" in text
    link = re.search(r'href="(\?[^"]+)#behind">leaf pigments, Still 2<', text)
    assert link is not None
    assert f'href="{link[1]}#behind">1<' in text, "the count of runs leads there as well"
    narrowed = shown(client, where(at, "recovery") + link[1])
    assert where(at, "runs", second.pk) in narrowed
    assert where(at, "runs", first.pk) not in narrowed
    now = timezone.now()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    run = runs.run_start(**by, purpose="leaf pigments")
    runs.charge(**by, run=run, container=bottle(at, "acetone"), amount="50 mL")
    runs.run_close(**by, run=run)
    assert "Unlike solvents are never compared." in shown(client, where(at, "recovery"))


def test_a_plan_takes_handy_portions_and_says_what_one_large_would_take(client: Client, at: Club) -> None:
    """Where the runs of a lab lost nothing: still not one portion of six times the water."""
    for _ in range(5):
        done_run(at, "200 mL", "200 mL")
    client.force_login(at.member)
    asked = {
        "water": "100",
        "k": "3",
        "wanted_percent": "95",
        "solvent": factories.solvent("ethyl-acetate").pk,
    }
    text = shown(client, f"{where(at, 'plan')}?{urlencode(asked)}").replace("\u00a0", " ")
    assert "as 5 runs of this lab lost" in text
    assert re.search(r"[2-9] portions of \d\d mL", text)
    assert re.search(r"One large portion would take [67]\d\d", text)
    assert text.count("data-slide=") >= 6
    assert 'hx-select="#worked"' in text


def test_the_heel_is_missed_in_predictions_of_formers_alone(client: Client, at: Club) -> None:
    client.force_login(at.member)
    done_run(at)
    text = shown(client, where(at, "runs", Run.objects.get().pk)).lower()
    # What a heel is may be explained; none is predicted, and none is missed.
    assert "past the condenser" in text
    assert "heel left in the still" not in text
    assert "no heel is recorded" not in text
