"""Pictures of runs, losses, flows and plans over the API: from the records to what is drawn."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from inventory.models import PlaceKind
from recovery.models import LossSignal
from recovery.services import apparatus as stills
from recovery.services import runs
from recovery.services.runs import Loss
from tests import factories as make
from tests.api.client import Api, base, codes
from tests.recovery.test_loss_signals import GOOD, LEAKY, SOLVENT, STILL_2, Club
from tests.rules.pictures_made import LOOKS, SVG, check_whole, ids, words_of
from tests.web.test_recovery_in_german import OWN, page, read
from tests.web.test_runs_in_german import english

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab(db: None) -> make.Club:
    """200 mL of 500 into a run, 120 back, 50 to the air, 30 that nobody can explain."""
    now = timezone.now() - timedelta(hours=1)
    at = make.club(now=now)
    bottle = make.stocked(at, "ethyl-acetate", code="B-1", now=now, received_on=now.date())
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    run = runs.run_start(**by, purpose="fat in <biscuits>")
    runs.charge(**by, run=run, container=bottle, amount="200 mL")
    flask = make.empty(at, now=now)
    runs.give_back(**by, run=run, container=flask, amount="120 mL")
    runs.run_close(**by, run=run, losses=[Loss(PlaceKind.AIR.value, "50 mL")])
    return at


@pytest.fixture
def api(lab: make.Club) -> Api:
    return Api(lab.auditor)


def drawn(api: Api, address: str) -> Any:
    answer = api.get(address)
    assert answer.status_code == 200, answer.content
    assert answer["Content-Type"] == "image/svg+xml"
    assert api.get(address, If_None_Match=answer["ETag"]).status_code == 304
    return check_whole(answer.content, LOOKS[1])


def told(root: Any) -> str:
    return " ".join(words.text for words in words_of(root)).replace("\u00a0", " ")


def points(root: Any) -> list[str]:
    """The runs of the first panel."""
    return [name for name in ids(root, "run") if name.endswith("-0")]


def test_the_balance_of_a_run(lab: make.Club, api: Api) -> None:
    (run,) = api.get(f"{base(lab)}runs/").json()["results"]
    address = f"{base(lab)}runs/{run['id']}/balance/"
    root = drawn(api, f"{address}picture/")
    (row,) = api.get(address).json()["results"]
    assert len(ids(root, "bar-")) == len(row["waterfall"]["bars"])
    assert row["waterfall"]["unexplained"]["words"].split(" (")[0] in told(root)
    assert "fat in <biscuits>" in told(root)
    hints = {g.get("id"): g.findtext(f"{SVG}title") or "" for g in root.iter(f"{SVG}g")}
    back = next(bar for bar in row["waterfall"]["bars"] if bar["code"] == "returned")
    shown = re.search(r"\u2212([0-9]+[.]?[0-9]*) ± ([0-9]+[.]?[0-9]*) mL", hints["bar-returned"])
    assert shown is not None
    digits = len(shown[1].partition(".")[2])
    assert shown[1] == f"{float(back['amount']['value']):.{digits}f}"
    assert float(shown[2]) >= 2 * float(back["amount"]["uncertainty"])
    assert "\u221250.0 ± " in hints["bar-air"]
    assert drawn(api, f"{address}picture/?solvent=ethyl acetate") is not None
    assert codes(api.get(f"{address}picture/?solvent=acetone")) == ["not-in-run"]
    assert codes(api.get(f"{address}picture/?solvent=aqua regia")) == ["unknown-solvent"]


def test_a_run_with_nothing_in_it(lab: make.Club, api: Api) -> None:
    run = runs.run_start(lab=lab.lab, actor=lab.member, now=timezone.now(), purpose="leaf pigments")
    assert "Nothing was charged" in told(drawn(api, f"{base(lab)}runs/{run.pk}/balance/picture/"))
    assert "not drafted from a plan" in told(drawn(api, f"{base(lab)}runs/{run.pk}/plan/picture/"))


def test_the_flows_of_a_period(lab: make.Club, api: Api) -> None:
    root = drawn(api, f"{base(lab)}solvent-balance/picture/?solvent=ethyl acetate")
    hints = {g.findtext(f"{SVG}title") for g in root.iter(f"{SVG}g")}
    assert {
        "bought to containers: 500 mL",
        "containers to runs: 200 mL",
        "runs to back to the containers: 120 mL",
        "runs to air: 50 mL",
        "runs to nobody can say where: 30 mL",
        "containers to closing stock: 420 mL",
    } <= hints
    empty = drawn(api, f"{base(lab)}solvent-balance/picture/?until=2001-01")
    assert "Nothing was moved" in told(empty)
    bars = drawn(api, f"{base(lab)}solvent-balance/picture/?of=bars")
    assert len(ids(bars, "part-")) == 3
    assert codes(api.get(f"{base(lab)}solvent-balance/picture/?until=soon")) == ["not-usable"]


def test_the_chart_of_a_leaky_still() -> None:
    at = Club(make.club())
    still = stills.apparatus_add(**at.at(make.NOW), name="Still 2", kind="still")
    at.play(GOOD + LEAKY, apparatus=[still])
    api, address = Api(at.club.member), f"/api/v1/labs/{at.lab.slug}/loss-charts/{SOLVENT}/"
    root = drawn(api, f"{address}picture/?purpose={STILL_2}&panels=runs,moving-range,ewma,cusum")
    chart = api.get(f"{address}?purpose={STILL_2}").json()
    assert len(points(root)) == len(chart["runs"])
    brackets = [name for name in ids(root, "signal") if name.endswith("-0")]
    assert len(brackets) == len(chart["signals"]) == 1
    assert chart["words"][:40] in told(root)
    assert "E: the EWMA beyond its limits" in told(root)
    short = drawn(api, f"{address}picture/?purpose={STILL_2}&last=3")
    assert len(points(short)) == 3
    few = drawn(api, f"{address}picture/?operator=nobody")
    assert "few runs: 0 so far" in told(few)
    for query, code in (("panels=pie", "not-usable"), ("last=301", "not-usable"), ("kind=x", "unknown-kind")):
        assert codes(api.get(f"{address}picture/?{query}")) == [code], query
    assert api.get(f"/api/v1/labs/{at.lab.slug}/loss-charts/aqua-regia/picture/").status_code == 404
    _told_in_german(at, api, f"{address}picture/?purpose={STILL_2}")


def _told_in_german(at: Club, api: Api, address: str) -> None:
    """The picture and the page of the same leak; what is kept and told to programs stays English."""
    plain, german = (
        api.get(f"{address}&language=en", Accept_Language="de"),
        drawn(api, f"{address}&language=de"),
    )
    assert "mehr seit" in told(german)
    assert "% vom Einsatz" in told(german)
    assert plain.content == api.get(address).content
    assert codes(api.get(f"{address}&language=xx")) == ["not-usable"]
    html = {language: page(at, "recovery/", language) for language in ("de", "en")}
    assert english(read(html["de"]), *OWN) == []
    for words in ("Still 2 verliert mehr seit", "einer jenseits von 3 Sigma (W1)"):
        assert words in read(html["de"])
    for language, found in html.items():
        sources = re.findall(r'srcset="([^"]+)"', found)
        assert sources
        assert all(("language=de" in each) == (language == "de") for each in sources)
    assert "loses more since" in LossSignal.objects.get().words


def test_the_plan_of_a_draft_run(lab: make.Club) -> None:
    extraction = {"water": "200 mL", "k": "4", "water_temperature": "20 °C", "wanted_percent": "95"}
    body = {"purpose": "leaf pigments", "plan": {"solvent": "ethyl-acetate", "extraction": extraction}}
    api = Api(lab.member)
    made = api.post(f"{base(lab)}runs/", body)
    assert made.status_code == 201, made.content
    root = drawn(api, f"{base(lab)}runs/{made.json()['id']}/plan/picture/")
    assert "wanted: 95 %" in told(root)
    plan = api.post(f"{base(lab)}plans/", body["plan"]).json()
    rows = plan["extraction"]["same_total"]
    assert len(ids(root, "portions-")) == len(rows)
    assert len(ids(root, "charged-")) == len(plan["extraction"]["for_yield"])


def test_a_picture_asks_no_more_of_the_records_than_its_data(lab: make.Club, api: Api) -> None:
    (run,) = api.get(f"{base(lab)}runs/").json()["results"]
    counts = []
    for part in ("", "picture/"):
        with CaptureQueriesContext(connection) as asked:
            api.get(f"{base(lab)}runs/{run['id']}/balance/{part}")
        counts.append(len(asked))
    assert counts[1] <= counts[0]
