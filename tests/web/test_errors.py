"""Refusals look like the rest of the pages, and like problems under /api/."""

from __future__ import annotations

import pytest
from django.http import HttpRequest, HttpResponse
from django.test import Client, RequestFactory

from deploy import errors
from tests import factories

pytestmark = pytest.mark.django_db


def test_an_unknown_address_leads_back_to_the_start(client: Client) -> None:
    answer = client.get("/no-such-page/")
    assert answer.status_code == 404
    assert "There is nothing here for you" in answer.content.decode()
    assert 'href="/"' in answer.content.decode()


def test_a_form_without_its_token_is_refused_with_a_remedy() -> None:
    factories.club()
    answer = Client(enforce_csrf_checks=True).post("/login/", {"username": "x", "password": "y"})
    assert answer.status_code == 403
    assert "load the page again" in answer.content.decode()


def test_a_role_that_may_not_gets_the_page_for_it(client: Client) -> None:
    client.force_login(factories.club().member)
    answer = client.get("/labs/biscuit-club/invite/")
    assert answer.status_code == 403
    assert "Your role does not allow this" in answer.content.decode()


CASES = {
    400: lambda request: errors.bad_request(request, ValueError()),
    403: lambda request: errors.denied(request, PermissionError()),
    404: lambda request: errors.not_found(request, ValueError()),
    500: errors.unexpected,
}


@pytest.mark.parametrize("status", CASES)
def test_people_get_a_page_and_programs_a_problem(status: int, rf: RequestFactory) -> None:
    def answer(path: str) -> HttpResponse:
        request: HttpRequest = rf.get(path)
        return CASES[status](request)

    page, problem = answer("/somewhere/"), answer("/api/v1/somewhere/")
    assert page.status_code == problem.status_code == status
    assert page["Content-Type"].startswith("text/html")
    assert b"Stillkeep" in page.content
    assert problem["Content-Type"] == "application/problem+json"
    assert b"<html" not in problem.content


def test_a_fault_of_ours_shows_the_page(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    client.force_login(factories.club().member)
    client.raise_request_exception = False
    monkeypatch.setattr("recovery.selectors.overview.due_parts", None)
    answer = client.get("/")
    assert answer.status_code == 500
    assert "Something went wrong on our side" in answer.content.decode()
