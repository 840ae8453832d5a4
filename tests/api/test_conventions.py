"""What every address keeps to: problems, keys, entity tags, pages, strict input, request ids."""

from __future__ import annotations

import json
import uuid
from datetime import timedelta
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from rest_framework import exceptions
from rest_framework.request import Request
from rest_framework.test import APIRequestFactory

from inventory.api import problems
from inventory.models import Answer, ApiToken, Container, Event, Movement
from inventory.services import labs
from tests.api.client import Api, base, codes, token_for
from tests.factories import Club, club, stocked

pytestmark = pytest.mark.django_db
# RFC 9457 section 3.1 names these members; `code`, `errors` and `request_id` are our extension members.
MEMBERS = {"type", "title", "status", "detail", "code", "errors", "request_id"}


@pytest.fixture
def lab(db: None) -> Club:
    return club(now=timezone.now())


@pytest.fixture
def api(lab: Club) -> Api:
    return Api(token=token_for(lab, "steward", "manage"))


@pytest.fixture
def bottle(lab: Club) -> Container:
    now = timezone.now()
    return stocked(lab, "diethyl-ether", code="B-1", now=now, received_on=now.date())


def draws(lab: Club) -> str:
    return f"{base(lab)}containers/B-1/draws/"


# -- problems


@pytest.mark.parametrize(
    ("method", "address", "options", "status"),
    [
        ("GET", "/api/v1/nothing/", {}, 404),
        ("GET", "/api/v1/labs/biscuit-club/containers/none/", {}, 404),
        ("POST", "/api/v1/labs/biscuit-club/containers", {}, 404),
        ("DELETE", "/api/v1/labs/biscuit-club/containers/", {}, 405),
        ("OPTIONS", "/api/v1/labs/biscuit-club/containers/", {}, 405),
        ("GET", "/api/v1/labs/biscuit-club/", {"headers": {"Accept": "text/csv"}}, 406),
        ("POST", "/api/v1/labs/biscuit-club/runs/", {"content_type": "text/plain"}, 415),
        ("POST", "/api/v1/labs/biscuit-club/runs/", {"raw": b"{"}, 400),
        ("POST", "/api/v1/labs/biscuit-club/runs/", {"raw": b"[]"}, 400),
        ("POST", "/api/v1/labs/biscuit-club/runs/", {"raw": b"\xff"}, 400),
        ("POST", "/api/v1/labs/biscuit-club/runs/", {"raw": b"[" * 100_000}, 400),
        ("POST", "/api/v1/labs/biscuit-club/runs/", {"raw": b'{"a":1,"a":2}'}, 400),
        ("POST", "/api/v1/labs/biscuit-club/runs/", {"raw": b'{"a":' + b"9" * 5000 + b"}"}, 400),
        ("POST", "/api/v1/labs/biscuit-club/runs/", {"raw": b" " * 300_000}, 413),
        ("GET", "/api/v1/labs/biscuit-club/containers/%00/", {}, 404),
        ("GET", "/api/v1/labs/biscuit-club/lots/99999999999999999999/", {}, 404),
        ("GET", "/api/v1/labs/biscuit-club/containers/?q=%00", {}, 400),
    ],
)
def test_every_refusal_is_a_problem(
    lab: Club, api: Api, method: str, address: str, options: dict[str, Any], status: int
) -> None:
    refused = api.ask(method, address, **options)
    assert refused.status_code == status, refused.content
    assert refused["Content-Type"] == "application/problem+json"
    body = refused.json()
    assert set(body) == MEMBERS
    assert body["status"] == status
    assert body["request_id"] == refused["X-Request-ID"]
    if status == 405:
        assert refused["Allow"] == "GET, HEAD, POST"


def test_each_field_at_fault_is_named(lab: Club, api: Api, bottle: Container) -> None:
    refused = api.post(draws(lab), {"volume": 5, "to": "moon", "colour": "red"})
    assert {(e["in"], e["pointer"], e["code"]) for e in refused.json()["errors"]} == {
        ("body", "/colour", "unknown-field")
    }
    refused = api.post(draws(lab), {"volume": 5, "to": "moon", "happened_at": "2026-03-01T10:00"})
    assert {(e["pointer"], e["code"]) for e in refused.json()["errors"]} == {
        ("/volume", "invalid"),
        ("/to", "invalid-choice"),
        ("/happened_at", "invalid"),
    }
    refused = api.post(draws(lab), {"volume": {"value": "1", "unit": "gal"}})
    assert [(e["pointer"], e["code"]) for e in refused.json()["errors"]] == [("/volume", "ambiguous-unit")]
    assert "US gal" in refused.json()["errors"][0]["remedy"]


@pytest.mark.parametrize("text", ['{"purpose": "a\\u0000b"}', '{"purpose": "a\\ud800b"}'])
def test_text_that_no_database_keeps_is_refused(lab: Club, api: Api, text: str) -> None:
    refused = api.post(f"{base(lab)}runs/", raw=text.encode())
    assert (refused.status_code, codes(refused)) == (400, ["bad-character"])


def test_what_stands_against_it_is_a_conflict(lab: Club, api: Api, bottle: Container) -> None:
    refused = api.post(draws(lab), {"volume": "501 mL"})
    assert (refused.status_code, codes(refused)) == (409, ["not-enough"])
    assert not Movement.objects.filter(kind="draw").exists()


def test_throttling_and_surprises_have_the_same_form(lab: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    request = Request(APIRequestFactory().get("/api/v1/me/"))
    slow = problems.handle(exceptions.Throttled(wait=2.5), {"request": request})
    assert (slow.status_code, slow["Retry-After"]) == (429, "3")
    worse = problems.handle(RuntimeError("a secret"), {"request": request})
    assert worse.status_code == 500
    assert b"secret" not in worse.content


def test_request_ids_are_taken_or_made(lab: Club, api: Api) -> None:
    assert api.get("/api/v1/me/", X_Request_ID="bench-7.a")["X-Request-ID"] == "bench-7.a"
    for bad in ("a b", "x" * 65, "é"):
        assert len(api.get("/api/v1/me/", X_Request_ID=bad)["X-Request-ID"]) == 32


# -- keys


def test_the_same_key_gives_the_first_answer_again(lab: Club, api: Api, bottle: Container) -> None:
    first = api.post(draws(lab), {"volume": "10 mL"}, key="k1")
    again = api.post(draws(lab), {"volume": "10 mL"}, key="k1")
    assert (first.status_code, "Idempotency-Replayed" in first) == (201, False)
    assert (again.status_code, again["Idempotency-Replayed"]) == (201, "true")
    assert again.content == first.content
    assert Movement.objects.filter(kind="draw").count() == 1


def test_the_same_key_for_something_else_is_a_conflict(lab: Club, api: Api, bottle: Container) -> None:
    api.post(draws(lab), {"volume": "10 mL"}, key="k1")
    assert codes(api.post(draws(lab), {"volume": "11 mL"}, key="k1")) == ["key-used-before"]
    other = api.post(f"{base(lab)}containers/B-1/put-backs/", {"volume": "10 mL"}, key="k1")
    assert other.status_code == 409
    assert other.json()["errors"][0]["in"] == "header"


def test_a_refused_request_does_not_use_its_key_up(lab: Club, api: Api, bottle: Container) -> None:
    assert api.post(draws(lab), {"volume": "900 mL"}, key="k1").status_code == 409
    assert not Answer.objects.exists()
    assert api.post(draws(lab), {"volume": "10 mL"}, key="k1").status_code == 201


def test_a_post_without_a_key_is_refused(lab: Club, api: Api, bottle: Container) -> None:
    assert codes(api.post(draws(lab), {"volume": "10 mL"}, key="")) == ["key-missing"]
    assert codes(api.post(draws(lab), {"volume": "10 mL"}, key="x" * 201)) == ["bad-key"]


def test_a_tokens_secret_is_shown_once_and_kept_nowhere(lab: Club) -> None:
    person = Api(lab.member)
    body = {"name": "balance", "scope": "log"}
    first = person.post(f"{base(lab)}tokens/", body, key="k").json()
    again = person.post(f"{base(lab)}tokens/", body, key="k").json()
    assert "secret" not in again
    assert again["id"] == first["id"]
    assert Api(token=first["secret"]).get("/api/v1/me/").json()["token"]["name"] == "balance"
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names():
            cursor.execute(f'SELECT * FROM "{table}"')
            assert first["secret"] not in str(cursor.fetchall())


# -- tokens


def test_ended_tokens_are_refused(lab: Club) -> None:
    now = timezone.now()
    made = {"lab": lab.lab, "actor": lab.member, "now": now, "scope": "read"}
    token, secret = labs.token_create(name="short", expires_at=now + timedelta(hours=1), **made)  # type: ignore[arg-type]
    api = Api(token=secret)
    assert api.get("/api/v1/me/").status_code == 200
    ApiToken.objects.filter(pk=token.pk).update(expiry_date=now - timedelta(seconds=1))
    refused = api.get("/api/v1/me/")
    assert (refused.status_code, refused["WWW-Authenticate"]) == (401, 'Bearer realm="stillkeep"')
    other, secret = labs.token_create(name="revoked", **made)  # type: ignore[arg-type]
    assert Api(lab.member).post(f"{base(lab)}tokens/{other.prefix}/revocations/").status_code == 201
    assert Api(token=secret).get("/api/v1/me/").status_code == 401
    assert Api(token=secret[:-1] + "x").get("/api/v1/me/").status_code == 401


def test_use_is_noted_at_most_once_a_minute(lab: Club, api: Api) -> None:
    api.get("/api/v1/me/")
    first = ApiToken.objects.get().last_used_at
    assert first is not None
    api.get("/api/v1/me/")
    assert ApiToken.objects.get().last_used_at == first
    ApiToken.objects.update(last_used_at=first - timedelta(minutes=2))
    api.get("/api/v1/me/")
    assert ApiToken.objects.get().last_used_at > first


def test_a_session_needs_the_csrf_token_to_write(lab: Club) -> None:
    api = Api(lab.steward)
    api.client.handler.enforce_csrf_checks = True
    refused = api.post(f"{base(lab)}runs/", {"purpose": "leaf pigments"})
    assert refused.status_code == 403
    assert refused["Content-Type"] == "application/problem+json"
    assert api.get(f"{base(lab)}runs/").status_code == 200


# -- entity tags


def test_a_detail_is_not_sent_twice(lab: Club, api: Api, bottle: Container) -> None:
    address = f"{base(lab)}containers/B-1/"
    first = api.get(address)
    same = api.get(address, If_None_Match=f'"x", W/{first["ETag"]}')
    assert (same.status_code, same.content, same["ETag"]) == (304, b"", first["ETag"])
    api.post(draws(lab), {"volume": "1 mL"})
    assert api.get(address, If_None_Match=first["ETag"]).status_code == 200


def test_a_due_date_that_moved_changes_the_tag(lab: Club, api: Api, bottle: Container) -> None:
    """A policy alone moves the date; a reader must not be told that nothing changed."""
    address, head = f"{base(lab)}containers/B-1/", Api(lab.supervisor)
    before, tag = api.get(address), head.get(base(lab))["ETag"]
    policies = [p["key"] for p in api.get(f"{base(lab)}policies/").json()["results"] if not p["in_use"]]
    found = set()
    for policy in policies:
        body = {"policy": policy, "reason": "county rule"}
        changed = head.patch(base(lab), body, if_match=tag)
        assert changed.status_code == 200, changed.content
        tag, now = changed["ETag"], api.get(address)
        moved = now.json()["due"] != before.json()["due"]
        assert (now["ETag"] != before["ETag"]) >= moved
        found.add(moved)
    assert any(found)


def test_a_change_names_the_version_it_changes(lab: Club) -> None:
    api, address = Api(lab.supervisor), base(lab)
    tag = api.get(address)["ETag"]
    assert api.patch(address, {"name": "Biscuits"}).status_code == 428
    changed = api.patch(address, {"name": "Biscuits", "due_soon_days": 21}, if_match=tag)
    assert (changed.status_code, changed.json()["name"]) == (200, "Biscuits")
    stale = api.patch(address, {"name": "Crumbs"}, if_match=tag)
    assert (stale.status_code, stale.json()["code"]) == (412, "changed-meanwhile")
    assert api.get(address)["ETag"] == changed["ETag"]
    assert codes(api.patch(address, {"time_zone": "Mars"}, if_match="*")) == ["unknown-time-zone"]
    assert codes(api.patch(address, {"policy": "no-such"}, if_match="*")) == ["unknown-policy"]


def test_a_change_sent_again_is_made_once(lab: Club) -> None:
    """The tag is outdated by then: the first answer comes again all the same."""
    api, address = Api(lab.supervisor), base(lab)
    tag = api.get(address)["ETag"]
    assert codes(api.patch(address, {"name": "Crumbs"}, if_match=tag, key="")) == ["key-missing"]
    first = api.patch(address, {"name": "Crumbs"}, if_match=tag, key="k1")
    again = api.patch(address, {"name": "Crumbs"}, if_match=tag, key="k1")
    assert (first.status_code, again.status_code, again["Idempotency-Replayed"]) == (200, 200, "true")
    assert (again.content, again["ETag"]) == (first.content, first["ETag"])
    assert Event.objects.filter(verb="lab-edited").count() == 1


# -- pages


def walk(api: Api, address: str, link: str = "next") -> list[dict[str, Any]]:
    pages: list[Any] = []
    while address:
        parts = urlsplit(address)
        body = api.get(f"{parts.path}?{parts.query}").json()
        pages.append(body["results"])
        address = body[link] or ""
    ordered = pages if link == "next" else reversed(pages)
    return [item for results in ordered for item in results]


ORDERINGS = ["id", "-id", "next_test_due_on", "-next_test_due_on", "code", "-volume", "opened_on"]


@pytest.mark.parametrize("ordering", ORDERINGS)
def test_pages_go_through_everything_once_both_ways(lab: Club, api: Api, ordering: str) -> None:
    """Ties and empty dates stand in the way on purpose; the order is checked against Python's sort."""
    now = timezone.now()
    for number in range(11):
        day = now.date() - timedelta(days=number // 4)
        key = "ethyl-acetate" if number % 3 else "diethyl-ether"
        stocked(lab, key, code=f"P-{number:02}", now=now, received_on=day)
    address = f"{base(lab)}containers/?ordering={ordering}&page_size="
    whole = api.get(f"{address}200").json()
    assert (whole["next"], whole["previous"]) == (None, None)
    codes_ = [item["code"] for item in whole["results"]]
    assert len(set(codes_)) == 11
    assert [item["code"] for item in walk(api, f"{address}3")] == codes_
    last = f"{address}3"
    while True:
        parts = urlsplit(last)
        body = api.get(f"{parts.path}?{parts.query}").json()
        if not body["next"]:
            break
        last = body["next"]
    assert [item["code"] for item in walk(api, last, "previous")] == codes_
    column = ordering.lstrip("-")
    values = [item[column]["value"] if column == "volume" else item[column] for item in whole["results"]]
    known = [value for value in values if value is not None]
    if column not in {"id", "volume"}:
        assert known == sorted(known, reverse=ordering.startswith("-"))
    assert values[len(known) :] == [None] * (len(values) - len(known))


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ("colour=red", "unknown-parameter"),
        ("page_size=201", "not-usable"),
        ("page_size=0", "not-usable"),
        ("page_size=5&page_size=6", "given-twice"),
        ("cursor=zzz", "bad-cursor"),
        ("cursor=W2ZhbHNlXQ", "bad-cursor"),
        ("ordering=colour", "not-usable"),
        ("opened=perhaps", "not-usable"),
        ("due_before=2026-13-01", "not-usable"),
        ("due_before=20260301", "not-usable"),
        ("location=99999999999999999999", "not-usable"),
        ("discarded=yes", "not-usable"),
    ],
)
def test_parameters_that_cannot_be_used_are_named(lab: Club, api: Api, query: str, code: str) -> None:
    refused = api.get(f"{base(lab)}containers/?{query}")
    assert (refused.status_code, codes(refused)) == (400, [code])
    assert refused.json()["errors"][0]["in"] == "query"


def test_filters_find_what_they_name(lab: Club, api: Api) -> None:
    now = timezone.now()
    stocked(lab, "diethyl-ether", code="E-1", now=now, received_on=now.date(), note="50% full_mark")
    stocked(lab, "ethyl-acetate", code="A-1", now=now, received_on=now.date())
    address = f"{base(lab)}containers/"
    gone = api.post(f"{address}A-1/discards/", {}).json()["containers"][0]["id"]
    expected = {
        "": ["E-1"],
        "?discarded=true": ["A-1"],
        "?solvent=diethyl-ether": ["E-1"],
        "?solvent=acetone": [],
        "?solvent=Et2O": ["E-1"],
        "?q=diethyl e-1": ["E-1"],
        "?q=0%25": ["E-1"],
        "?q=1%25": [],
        "?q=full_": ["E-1"],
        "?q=f_ll": [],
        "?opened=unopened": [],
        "?empty=true": [],
        "?signs=false": ["E-1"],
        "?due_before=2199-01-01": ["E-1"],
        "?next_test_due_on__lte=1999-01-01": [],
    }
    found = {query: [c["code"] for c in api.get(address + query).json()["results"]] for query in expected}
    assert found == expected
    assert api.get(f"{address}{gone}/").json()["code"] == "A-1"


def test_a_code_of_digits_is_not_taken_for_an_id(lab: Club, api: Api, bottle: Container) -> None:
    """Bottle “7” must never be another bottle that happens to have the id 7."""
    now = timezone.now()
    named = stocked(lab, code=str(bottle.pk), now=now, received_on=now.date())
    address = f"{base(lab)}containers/"
    assert api.get(f"{address}{bottle.pk}/").json()["code"] == "B-1"
    assert api.get(f"{address}code:{bottle.pk}/").json()["id"] == str(named.pk)
    assert api.get(f"{address}b-1/").json()["id"] == str(bottle.pk)


# -- costs


def test_a_list_costs_two_statements_however_long(lab: Club, api: Api, bottle: Container) -> None:
    now = timezone.now()
    address = f"{base(lab)}containers/?page_size=200"
    api.get(address)
    counts = []
    for _ in range(2):
        with CaptureQueriesContext(connection) as asked:
            api.get(address)
        counts.append(len(asked))
        for _ in range(20):
            stocked(lab, now=now, received_on=now.date())
    assert counts == [2, 2]


def test_quantities_go_out_as_exact_text(lab: Club, api: Api, bottle: Container) -> None:
    made = api.post(draws(lab), {"volume": {"value": "0.001", "unit": "mL"}}).json()
    assert made["containers"][0]["volume"] == {"value": "499.999", "unit": "mL", "uncertainty": None}
    moved = api.get(f"{base(lab)}containers/B-1/movements/").json()["results"][0]
    assert (moved["volume"]["value"], moved["recorded_at"][-1]) == ("0.001", "Z")
    assert json.loads(json.dumps(moved["as_entered"]))["text"] == "0.001 mL"
    uuid.UUID(moved["entry"])
