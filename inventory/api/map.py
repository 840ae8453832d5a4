"""Where to begin: what `/api/` and `/api/v1/` answer to whoever comes there first. It tells of no lab."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.urls import reverse
from rest_framework.request import Request

from inventory.api.base import NO_PARAMS, ApiView
from inventory.api.params import read_params
from inventory.api.replies import dumps, tagged

WORDS = (
    "Read the guide or its description as OpenAPI. Everything else needs a token: "
    "Authorization: Bearer and the token, made on the page Tokens of your lab."
)


class ApiMap(ApiView):
    """The guide, its description, and the first addresses of version 1; it stands in no schema itself."""

    authentication_classes: Any = []

    def let_in(self, request: Request) -> None:
        """Anybody may know where the guide is."""

    def get(self, request: Request) -> HttpResponse:
        read_params(request._request.GET, NO_PARAMS)
        found: dict[str, Any] = {name: self._at(f"api-{name}") for name in ("docs", "schema")}
        first = {name: self._at(f"api-{name}") for name in ("me", "labs", "calculators")}
        v1 = {"address": self._at("api-v1"), **first}
        return tagged(request._request, dumps({"words": WORDS, **found, "v1": v1}))

    def _at(self, name: str) -> str:
        return self.request.build_absolute_uri(reverse(name))
