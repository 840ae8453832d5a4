"""A small client for the API tests: JSON in and out, a fresh key for each write unless one is given."""

from __future__ import annotations

import json
import uuid
from typing import Any

from django.test import Client
from django.utils import timezone

from inventory.models import User
from inventory.services import labs
from tests.factories import Club


class Api:
    """Asks as a signed-in person, as a program with a token, or as nobody."""

    def __init__(self, user: User | None = None, *, token: str = "") -> None:
        self.client = Client(raise_request_exception=False)
        self.headers: dict[str, str] = {"Authorization": f"Bearer {token}"} if token else {}
        if user is not None:
            self.client.force_login(user)

    def ask(
        self,
        method: str,
        address: str,
        body: Any = None,
        *,
        key: str | None = None,
        headers: dict[str, str] | None = None,
        raw: bytes | None = None,
        content_type: str = "application/json",
    ) -> Any:
        sent = {**self.headers, **(headers or {})}
        if method in {"POST", "PATCH"} and key != "":
            sent["Idempotency-Key"] = key or str(uuid.uuid4())
        data = raw if raw is not None else json.dumps({} if body is None else body)
        if method in {"GET", "HEAD"}:
            return self.client.generic(method, address, headers=sent)
        return self.client.generic(method, address, data, content_type=content_type, headers=sent)

    def get(self, address: str, **headers: str) -> Any:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return self.ask("GET", address, headers=named)

    def post(self, address: str, body: Any = None, **options: Any) -> Any:
        return self.ask("POST", address, body, **options)

    def patch(self, address: str, body: Any = None, *, if_match: str = "", key: str | None = None) -> Any:
        return self.ask("PATCH", address, body, key=key, headers={"If-Match": if_match} if if_match else None)


def base(at: Club) -> str:
    return f"/api/v1/labs/{at.lab.slug}/"


def token_for(at: Club, role: str, scope: str) -> str:
    """The secret of a fresh token of that person."""
    return labs.token_create(
        lab=at.lab, actor=at.people[role], now=timezone.now(), name=f"{role} {scope}", scope=scope
    )[1]


def codes(response: Any) -> list[str]:
    """The codes of a problem's errors."""
    return [error["code"] for error in response.json()["errors"]]
