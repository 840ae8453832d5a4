"""Loss rates with intervals, charts of losses and their signals, and the control chart calculator."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from recovery.services import apparatus as stills
from tests import factories as make
from tests.api.client import Api, codes
from tests.recovery.test_loss_signals import GOOD, LEAKY, SOLVENT, STILL_2, Club
from tests.rules.test_charts import FLOWS

pytestmark = pytest.mark.django_db
CHART = "/api/v1/calculators/control-chart/"


@pytest.fixture
def played() -> tuple[Api, str]:
    at = Club(make.club())
    still = stills.apparatus_add(**at.at(make.NOW), name="Still 2", kind="still")
    at.play(GOOD + LEAKY, apparatus=[still])
    at.play((0,), week=17)
    return Api(at.club.member), f"/api/v1/labs/{at.lab.slug}/"


def test_the_chart_names_the_leak_and_the_runs_behind_it(played: tuple[Api, str]) -> None:
    api, root = played
    answer = api.get(f"{root}loss-charts/{SOLVENT}/?purpose={STILL_2}")
    assert answer.status_code == 200
    chart = answer.json()
    assert chart["words"].startswith(f"{STILL_2} loses more since")
    assert "40 % against 20 % before, 4 runs" in chart["words"]
    (signal,) = chart["signals"]
    assert (signal["direction"], signal["stands"], signal["ended_run"]) == ("more", True, None)
    assert signal["since_run"] == chart["runs"][len(GOOD)]["run"]
    assert signal["after"]["words"].startswith("Fewer than 5 runs")
    assert (len(chart["runs"]), chart["left_off"], chart["runs_without_return"]) == (16, 0, 1)
    first, last = chart["runs"][0], chart["runs"][-1]
    assert (first["phase"], first["ewma"], first["loss_fraction"]) == ("baseline", None, "0.200000")
    assert (last["phase"], "ewma" in last["broken"]) == ("watched", True)
    assert float(last["ewma"]) > float(last["ewma_upper"]) > float(last["centre"])
    assert {"western-electric-1", "ewma"} <= {rule["key"] for rule in chart["rules"]}
    assert all(rule["source"] for rule in chart["rules"])
    short = api.get(f"{root}loss-charts/{SOLVENT}/?purpose={STILL_2}&last=3").json()
    assert (len(short["runs"]), short["left_off"], short["words"]) == (3, 13, chart["words"])


def test_series_by_apparatus_operator_kind_and_baseline(played: tuple[Api, str]) -> None:
    api, root = played
    address = f"{root}loss-charts/{SOLVENT}/"
    listed = api.get(f"{root}apparatus/").json()["results"]
    by_still = api.get(f"{address}?apparatus={listed[0]['id']}").json()
    assert by_still["words"].startswith("Still 2 loses more since")
    assert len(api.get(f"{address}?operator=nobody").json()["runs"]) == 0
    assert api.get(f"{address}?kind=distillation").json()["missing"] == 10
    assert api.get(f"{address}?baseline=20").json()["missing"] == 4
    for query, code in (
        ("apparatus=999", "unknown-apparatus"),
        ("kind=juggling", "unknown-kind"),
        ("baseline=4", "not-usable"),
        ("last=0", "not-usable"),
        ("still=2", "unknown-parameter"),
    ):
        refused = api.get(f"{address}?{query}")
        assert (refused.status_code, codes(refused)) == (400, [code]), query
    assert api.get(f"{root}loss-charts/aqua-regia/").status_code == 404


def test_signals_are_listed_and_filtered(played: tuple[Api, str]) -> None:
    api, root = played
    (row,) = api.get(f"{root}loss-signals/?stands=true&direction=more&solvent={SOLVENT}").json()["results"]
    assert row["apparatus"]["name"] == "Still 2"
    assert row["done_in"] == ["Still 2"]
    assert len(row["runs"]) == len(LEAKY)
    assert len(row["baseline"]) == 10
    assert (row["before"]["runs"], row["after"]["runs"]) == (12, 4)
    assert float(row["before"]["lower"]) < 0.2 < float(row["before"]["upper"])
    assert api.get(f"{root}loss-signals/{row['id']}/").json() == row
    for none in ("stands=false", "direction=less", "solvent=acetone", f"purpose={STILL_2}", "apparatus=999"):
        assert api.get(f"{root}loss-signals/?{none}").json()["results"] == [], none
    assert row["since_on"] == (make.NOW + timedelta(days=7 * len(GOOD))).date().isoformat()


def test_rates_have_intervals_and_say_where_they_have_none(played: tuple[Api, str]) -> None:
    api, root = played
    (row,) = api.get(f"{root}reports/loss-rates/").json()["results"]
    # 12 runs of 200 mL lost 479 mL, 4 lost 322 mL, one all of its 200 mL: 1001 of 3400 mL.
    assert (row["runs"], row["runs_without_return"], row["loss_fraction"]) == (17, 1, "0.2944")
    assert float(row["lower"]) < 0.2944 < float(row["upper"])
    assert (row["uncertainty"] is not None, row["words"]) == (True, "")
    rows = api.get(f"{root}reports/loss-rates/?by=apparatus").json()["results"]
    assert [(one["group"]["apparatus"], one["runs"]) for one in rows] == [(None, 1), ("Still 2", 16)]
    assert (rows[0]["lower"], rows[0]["words"]) == (None, "Fewer than 5 runs: too few for an interval.")
    one = api.get(f"{root}reports/loss-rates/?apparatus=Still 2&by=kind").json()["results"]
    assert [(r["group"], r["runs"]) for r in one] == [({"kind": None}, 16)]


def _ask(api: Api, **body: Any) -> Any:
    return api.post(CHART, {"values": [str(value) for value in FLOWS]} | body)


def test_the_calculator_gives_the_handbooks_figures() -> None:
    """NIST/SEMATECH 6.3.2.2 through the API."""
    api = Api(make.person("visitor"))
    done = _ask(api)
    assert done.status_code == 201
    chart = done.json()
    names = ("centre", "upper", "lower", "range_mean")
    assert [round(float(chart[name]), 4) for name in names] == [50.81, 55.8041, 45.8159, 1.8778]
    assert round(float(chart["range_upper"]), 3) == 6.135
    assert len(chart["points"]) == 10
    assert (chart["points"][0]["moving_range"], chart["points"][1]["moving_range"]) == (None, "2")
    assert {rule["key"] for rule in chart["rules"]} == {f"western-electric-{n}" for n in range(1, 5)}
    assert chart["formula"]
    late = _ask(api, baseline=5, rules="nelson-1984", weight="0.3", width="2.7", exact=False).json()
    assert (late["points"][4]["ewma"], late["baseline"]) == (None, 5)
    assert late["points"][5]["ewma_upper"] == late["points"][9]["ewma_upper"] == late["ewma_upper"]


@pytest.mark.parametrize(
    ("body", "code"),
    [
        ({"values": ["1"]}, "min-length"),
        ({"values": ["1", "1", "1"]}, "no-chart"),
        ({"values": ["1", "warm"]}, "not-a-number"),
        ({"values": ["1", "nan"]}, "not-a-number"),
        ({"values": ["1", "1e300"]}, "not-a-number"),
        ({"values": ["1", 2]}, "not-a-number"),
        ({"sigma": "0"}, "out-of-range"),
        ({"weight": "0"}, "out-of-range"),
        ({"weight": "1.1"}, "out-of-range"),
        ({"baseline": 1}, "min-value"),
        ({"rules": "ours"}, "invalid-choice"),
        ({"colour": "red"}, "unknown-field"),
    ],
)
def test_the_calculator_refuses_what_makes_no_chart(body: dict[str, Any], code: str) -> None:
    refused = _ask(Api(make.person("visitor")), **body)
    assert (refused.status_code, codes(refused)) == (400, [code])
