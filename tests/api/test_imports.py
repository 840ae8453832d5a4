"""Both sheets over the API, as JSON and as a form, dry and for good."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test.client import BOUNDARY, MULTIPART_CONTENT, encode_multipart
from django.utils import timezone

from inventory.models import Container
from tests.api.client import Api, base, codes, token_for
from tests.factories import Club, club

pytestmark = pytest.mark.django_db
STOCK = "Code;Solvent;Size;Left;Opened\nC-1;ether;1 L;400 mL;2026-01-15\nC-2;plasma;1 L;1 mL;2026-01-15\n"


@pytest.fixture
def lab(db: None) -> Club:
    return club(now=timezone.now())


@pytest.fixture
def api(lab: Club) -> Api:
    return Api(token=token_for(lab, "steward", "manage"))


def by_form(api: Api, address: str, key: str | None = None, **fields: Any) -> Any:
    raw = encode_multipart(BOUNDARY, fields)
    return api.post(address, raw=raw, content_type=MULTIPART_CONTENT, key=key)


def test_a_dry_run_tells_and_writes_nothing(api: Api, lab: Club) -> None:
    told = api.post(f"{base(lab)}imports/stock/", {"filename": "stock.csv", "content": STOCK})
    assert told.status_code == 200, told.content
    assert told.json()["counts"] == {"new": 1, "known": 0, "bad": 1, "unread": 0}
    assert told.json()["written"] is False
    assert not Container.objects.exists()


def test_the_good_rows_are_entered_once(api: Api, lab: Club) -> None:
    address, body = f"{base(lab)}imports/stock/", {"content": STOCK, "dry_run": False}
    made = api.post(address, body, key="first")
    assert made.status_code == 201
    assert made.json()["written"] is True
    assert made.json()["totals"][0]["volume"]["value"] == "400"
    again = api.post(address, body, key="first")
    assert again.content == made.content
    assert again["Idempotency-Replayed"] == "true"
    later = api.post(address, body)
    assert later.json()["counts"]["new"] == 0
    assert list(Container.objects.values_list("code", flat=True)) == ["C-1"]


def test_a_form_carries_the_file_as_it_is(api: Api, lab: Club) -> None:
    """0xB5 is µ in cp1252 and no UTF-8: the bytes must reach the reader untouched."""
    data = STOCK.replace("C-1", "\xb5-1").encode("cp1252")
    upload = SimpleUploadedFile("stock.csv", data)
    made = by_form(api, f"{base(lab)}imports/stock/", content=upload, dry_run="false")
    assert made.status_code == 201, made.content
    assert made.json()["filename"] == "stock.csv"
    assert list(Container.objects.values_list("code", flat=True)) == ["\xb5-1"]


def test_another_file_under_the_same_key_is_refused(api: Api, lab: Club) -> None:
    address = f"{base(lab)}imports/stock/"
    for text, status in ((STOCK, 201), (STOCK, 201), (STOCK.replace("400", "300"), 409)):
        upload = SimpleUploadedFile("stock.csv", text.encode())
        assert by_form(api, address, "one", content=upload, dry_run="false").status_code == status


def test_a_corrected_mapping_is_taken(api: Api, lab: Club) -> None:
    address = f"{base(lab)}imports/stock/"
    mapping = api.post(address, {"content": STOCK}).json()["mapping"]
    del mapping["columns"]["opened"]
    told = api.post(address, {"content": STOCK, "mapping": mapping}).json()
    assert "Opened" in told["unmapped"]
    bad = api.post(address, {"content": STOCK, "mapping": {"target": "runs", "columns": {}}})
    assert bad.status_code == 400
    assert codes(bad)


def test_a_run_log_comes_in_after_its_stock(api: Api, lab: Club) -> None:
    samples = Path(__file__).resolve().parents[1] / "inventory" / "samples"
    stock = (samples / "club-stock.csv").read_bytes()
    log = (samples / "club-runs.csv").read_bytes()
    first = by_form(api, f"{base(lab)}imports/stock/", content=SimpleUploadedFile("s.csv", stock))
    assert first.status_code == 200, first.content
    told = by_form(api, f"{base(lab)}imports/runs/", content=SimpleUploadedFile("r.csv", log))
    assert told.status_code == 200, told.content
    assert told.json()["target"] == "runs"
    assert told.json()["rows"]


@pytest.mark.parametrize(
    ("body", "code"),
    [({}, "required"), ({"content": 5}, "invalid"), ({"content": "a", "dry_run": "no"}, "invalid")],
)
def test_a_faulty_request_is_named(api: Api, lab: Club, body: Any, code: str) -> None:
    refused = api.post(f"{base(lab)}imports/stock/", body)
    assert refused.status_code == 400
    assert codes(refused) == [code]
