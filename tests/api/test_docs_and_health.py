"""The schema, its page under the strict policy in a real browser, and the two health addresses."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.db import connection
from openapi_spec_validator import validate

from deploy import health
from inventory.models import append_only
from tests.api.client import Api, codes
from tests.factories import club


def schema_document() -> dict[str, Any]:
    return dict(json.loads(Api().get("/api/schema/").content))


def test_the_schema_is_valid_openapi_3_1(db: None) -> None:
    """By openapi-spec-validator; 3.1 has no `nullable` (OpenAPI 3.1.0, schema object)."""
    answer = Api().get("/api/schema/")
    document = json.loads(answer.content)
    validate(document)
    assert document["openapi"].startswith("3.1")
    assert b'"nullable"' not in answer.content
    assert Api().get("/api/schema/", If_None_Match=answer["ETag"]).status_code == 304


def test_every_operation_says_what_it_refuses(db: None) -> None:
    for address, methods in schema_document()["paths"].items():
        for method, operation in methods.items():
            refusals = {status for status in operation["responses"] if status >= "400"}
            assert {"400", "401", "403", "404", "406", "429", "503"} <= refusals, (method, address)
            for status in refusals:
                assert set(operation["responses"][status]["content"]) == {"application/problem+json"}
            names = {parameter["name"] for parameter in operation.get("parameters", [])}
            assert ("Idempotency-Key" in names) == (method in {"post", "patch"})
            assert method == "get" or "304" not in operation["responses"]
            assert operation["summary"]


@pytest.mark.once
@pytest.mark.django_db(transaction=True)
def test_the_page_renders_from_this_server_alone(
    live_server: Any, chromium: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from playwright.sync_api import sync_playwright

    operations = sum(len(methods) for methods in schema_document()["paths"].values())
    monkeypatch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
    said: list[str] = []
    asked: list[str] = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=str(chromium), args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        page = browser.new_page()
        page.on("console", lambda message: said.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: said.append(f"error: {error}"))
        page.on("request", lambda request: asked.append(request.url))
        answer = page.goto(f"{live_server.url}/api/docs/")
        page.wait_for_selector(".opblock-summary-path", timeout=60_000)
        # Groups are drawn as they come into sight, and go again.
        seen: set[str] = set()
        for _ in range(400):
            seen.update(page.locator(".opblock-summary").all_inner_texts())
            if len(seen) >= operations:
                break
            page.mouse.wheel(0, 400)
            page.wait_for_timeout(50)
        browser.close()
    assert answer is not None
    assert len(seen) == operations
    assert "default-src 'self'" in answer.headers["content-security-policy"]
    assert [line for line in said if line.startswith(("error", "warning"))] == []
    own = (live_server.url, "data:", "blob:")
    assert [url for url in asked if not url.startswith(own)] == []


@pytest.mark.parametrize("address", ["/api/", "/api/v1/"])
def test_whoever_comes_first_is_told_where_to_begin(db: None, address: str) -> None:
    """Every address that it names is there; it takes no parameter and nothing but GET."""
    answer = Api().get(address)
    told = answer.json()
    assert answer["Content-Type"] == "application/json"
    assert "Authorization: Bearer" in told["words"]
    for named in (told["docs"], told["schema"], told["v1"]["address"]):
        assert Api().get(urlsplit(named).path).status_code == 200, named
    for name in ("me", "labs", "calculators"):
        assert Api().get(urlsplit(told["v1"][name]).path).status_code == 401, name
    assert Api().get(address, If_None_Match=answer["ETag"]).status_code == 304
    assert codes(Api().get(f"{address}?lab=1")) == ["unknown-parameter"]
    refused = Api().post(address)
    assert (refused.status_code, refused["Allow"]) == (405, "GET, HEAD")
    assert refused["Content-Type"] == "application/problem+json"
    assert address not in schema_document()["paths"]


@pytest.mark.parametrize(
    ("address", "remedy"),
    [
        ("runs/", "Send JSON, and say so in the header: Content-Type: application/json."),
        ("imports/stock/", "Content-Type: application/json, multipart/form-data."),
    ],
)
def test_a_body_of_another_kind_is_told_what_to_send(db: None, address: str, remedy: str) -> None:
    lab = club()
    refused = Api(lab.steward).post(
        f"/api/v1/labs/{lab.lab.slug}/{address}", raw=b"a=1", content_type="application/x-www-form-urlencoded"
    )
    (fault,) = refused.json()["errors"]
    assert (refused.status_code, refused.json()["code"]) == (415, "unsupported-media-type")
    assert (fault["in"], fault["pointer"]) == ("header", "/Content-Type")
    assert fault["remedy"].endswith(remedy) and refused.json()["detail"].endswith(remedy)


def test_the_process_is_up(db: None) -> None:
    assert Api().get("/healthz").json() == {"status": "ok", "checks": {"process": "up"}}
    assert Api().post("/healthz").status_code == 405


def test_ready_says_what_is_missing(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    health._migrated.cache_clear()
    assert Api().get("/readyz").status_code == 200
    append_only.remove(connection)
    refused = Api().get("/readyz")
    assert (refused.status_code, refused["Retry-After"]) == (503, "5")
    assert refused.json()["checks"]["triggers"].startswith("missing")
    append_only.install(connection)
    assert Api().get("/readyz").status_code == 200


def test_not_ready_while_a_migration_waits(db: None) -> None:
    health._migrated.cache_clear()
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM django_migrations WHERE app = 'recovery'")
    refused = Api().get("/readyz")
    assert refused.status_code == 503
    assert refused.json()["checks"]["migrations"].startswith("waiting")
    health._migrated.cache_clear()
