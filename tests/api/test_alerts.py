"""Alerts over the API: filtered, answered, put off, with their history; and stock levels beside the stock."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from inventory.models import Alert, Container
from inventory.services import safety
from inventory.services.sweep import sweep
from tests.api.client import Api, base, codes, token_for
from tests.factories import Club, club, stocked

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def lab(db: None) -> Club:
    """A sign of danger (severity 1), an overdue test (7) and one due soon (9)."""
    now = timezone.now() - timedelta(hours=2)
    at = club(now=now)
    facts: dict[str, Any] = {"now": now, "received_on": now.date()}
    signed, late, soon = (stocked(at, "diethyl-ether", code=code, **facts) for code in ("S-1", "L-1", "D-1"))
    safety.observe(lab=at.lab, actor=at.member, now=now, container=signed, sign="crystals")
    Container.objects.filter(pk=late.pk).update(next_test_due=now.date() - 5 * DAY)
    Container.objects.filter(pk=soon.pk).update(next_test_due=now.date() + 5 * DAY)
    sweep(now=now)
    return at


@pytest.fixture
def api(lab: Club) -> Api:
    return Api(token=token_for(lab, "steward", "manage"))


def found(api: Api, lab: Club, query: str = "") -> list[str]:
    answer = api.get(f"{base(lab)}alerts/{query}")
    assert answer.status_code == 200, answer.content
    return [each["rule"] for each in answer.json()["results"]]


def address(lab: Club, rule: str) -> str:
    return f"{base(lab)}alerts/{Alert.objects.get(rule=rule).pk}/"


def test_worst_first_and_page_by_page(api: Api, lab: Club) -> None:
    in_order = ["sign-seen", "retest-overdue", "retest-due-soon"]
    assert found(api, lab, "?ordering=severity") == in_order
    assert found(api, lab, "?ordering=-severity") == in_order[::-1]
    answer = api.get(f"{base(lab)}alerts/?ordering=severity&page_size=2").json()
    rest = api.get(answer["next"]).json()
    assert [each["rule"] for each in answer["results"] + rest["results"]] == in_order
    assert [each["severity"] for each in answer["results"] + rest["results"]] == [1, 7, 9]


@pytest.mark.parametrize(
    ("query", "rules"),
    [
        ("?severity=7", {"retest-overdue"}),
        ("?severity__lte=7", {"sign-seen", "retest-overdue"}),
        ("?subject_kind=reagent", set()),
        ("?rule=sign-seen&open=true&acknowledged=false", {"sign-seen"}),
        ("?put_off=true", set()),
        ("?escalated=true", set()),
    ],
)
def test_filters(api: Api, lab: Club, query: str, rules: set[str]) -> None:
    assert set(found(api, lab, query)) == rules


def test_put_off_hides_it_from_what_is_to_be_done(api: Api, lab: Club) -> None:
    day = (timezone.now().date() + 3 * DAY).isoformat()
    body = {"until_on": day, "reason": "strips are ordered"}
    answer = api.post(f"{address(lab, 'retest-overdue')}put-offs/", body)
    assert (answer.status_code, answer.json()["put_off_until"] is None) == (201, False)
    assert set(found(api, lab, "?to_do=true")) == {"sign-seen", "retest-due-soon"}
    assert found(api, lab, "?put_off=true") == found(api, lab, "?to_do=false") == ["retest-overdue"]
    later = {"until_on": (timezone.now().date() + 4 * DAY).isoformat(), "reason": "still not here"}
    refused = api.post(f"{address(lab, 'retest-overdue')}put-offs/", later)
    assert (refused.status_code, codes(refused)) == (403, ["putting-off-not-signed"])
    assert Api(lab.supervisor).post(f"{address(lab, 'retest-overdue')}put-offs/", later).status_code == 201
    grave = api.post(f"{address(lab, 'sign-seen')}put-offs/", body)
    assert (grave.status_code, codes(grave)) == (409, ["never-put-off"])


def test_an_answer_and_the_history(api: Api, lab: Club) -> None:
    member = Api(token=token_for(lab, "member", "log"))
    answer = member.post(f"{address(lab, 'sign-seen')}acknowledgements/", {"note": "nobody goes near"})
    shown = answer.json()
    assert (answer.status_code, shown["acknowledged_by"]) == (201, lab.member.username)
    assert shown["escalated_at"] == shown["acknowledged_at"]
    detail = api.get(address(lab, "sign-seen")).json()
    assert [(each["verb"], each["data"]["note"]) for each in detail["history"]] == [
        ("alert-acknowledged", "nobody goes near")
    ]
    assert detail["deliveries"] == {"waiting": 0, "sent": 0, "failed": 0}
    assert (detail["latest_put_off_on"], detail["before"], detail["closed_at"]) == (None, [], None)


def test_earlier_alerts_of_the_same_kind_stay_on_record(api: Api, lab: Club) -> None:
    first = Alert.objects.get(rule="retest-overdue")
    bottle = Container.objects.filter(pk=first.subject_id)
    for days in (99, -1):
        bottle.update(next_test_due=timezone.now().date() + days * DAY)
        api.post(f"{base(lab)}sweeps/", {})
    again = Alert.objects.get(rule="retest-overdue", closed_at=None)
    assert api.get(f"{base(lab)}alerts/{again.pk}/").json()["before"] == [str(first.pk)]


def level(api: Api, lab: Club, minimum: str) -> Any:
    return api.post(f"{base(lab)}stock-levels/", {"solvent": "ether", "minimum": minimum})


def test_a_stock_level_beside_the_stock(api: Api, lab: Club) -> None:
    """Three bottles of 500 mL; the one with crystals is not fit to use."""
    assert level(api, lab, "1 L").status_code == 201
    made = level(api, lab, "1.25 L").json()
    shown = api.get(f"{base(lab)}stock-levels/?solvent=60-29-7").json()["results"]
    assert shown == [made]
    amounts = {name: made[name]["value"] for name in ("minimum", "on_hand", "fit", "short_by")}
    assert amounts == {"minimum": "1250", "on_hand": "1500", "fit": "1000", "short_by": "250"}
    api.post(f"{base(lab)}sweeps/", {})
    assert found(api, lab, "?subject_kind=stocklevel&open=true") == ["low-stock"]
    ended = api.post(f"{base(lab)}stock-levels/diethyl-ether/endings/", {})
    assert ended.json()["ended_at"] is not None
    assert codes(api.post(f"{base(lab)}stock-levels/diethyl-ether/endings/", {})) == ["already-ended"]
    assert api.get(f"{base(lab)}stock-levels/").json()["results"] == []
    assert len(api.get(f"{base(lab)}stock-levels/?ended=true").json()["results"]) == 1
    assert level(api, lab, "2 L").json()["ended_at"] is None


def test_a_count_says_what_is_beyond_chance(api: Api, lab: Club) -> None:
    close = api.post(f"{base(lab)}containers/L-1/counts/", {"volume": "499 mL"}).json()
    assert (close["beyond_uncertainty"], close["difference"]["value"]) == (False, "-1")
    assert float(close["difference"]["uncertainty"]) > 0.5
    missing = api.post(f"{base(lab)}containers/L-1/counts/", {"volume": "200 mL"}).json()
    assert missing["beyond_uncertainty"] is True


def test_when_alerts_go_up_and_the_digest_goes_out(lab: Club) -> None:
    api = Api(lab.supervisor)

    def patch(body: dict[str, Any]) -> Any:
        return api.patch(base(lab), body, if_match=api.get(base(lab))["ETag"])

    changed = patch({"escalate_after_hours": 24, "digest_at": "06:30"})
    assert (changed.status_code, changed.json()["digest_at"]) == (200, "06:30")
    refused = patch({"escalate_after_hours": 48})
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (400, "/reason")
    for wrong in ("24:00", "6:30", 630, "06:30:00"):
        assert patch({"digest_at": wrong}).status_code == 400
