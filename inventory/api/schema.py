"""OpenAPI 3.1 from the contracts of the views, so that what is checked and what is described are one."""

from __future__ import annotations

import re
from functools import cache
from typing import Any

from django.http import HttpRequest, HttpResponse
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse
from rest_framework import serializers

from inventory.services.once import KEPT_FOR

ERROR_WORDS = {
    400: "Something in the request cannot be used; `errors` names each field and the remedy.",
    401: "Nobody is signed in, or the token cannot be used.",
    403: "The role or the token's scope does not allow this, or the CSRF token is missing.",
    404: "There is no such thing in a lab that the caller belongs to.",
    406: "The caller takes none of the kinds that are offered here.",
    409: "What stands in the records forbids it, or the key was used for another request.",
    412: "It has changed since the version named by If-Match.",
    413: "The body is too large.",
    415: "The body is of a kind that is not read here.",
    428: "If-Match is missing.",
    429: "Too many requests in this minute.",
    503: "The records could not be reached in time; the same request may be sent again, with its key.",
}
ERRORS = {
    "GET": (400, 401, 403, 404, 406, 429, 503),
    "POST": (400, 401, 403, 404, 406, 409, 413, 415, 429, 503),
}
ERRORS["PATCH"] = (*ERRORS["POST"], 412, 428)
PATH_SCHEMAS: dict[str, tuple[dict[str, Any], str]] = {
    "lab": ({"type": "string", "pattern": "^[-a-zA-Z0-9_]{1,60}$"}, "The lab's short name."),
    "container": (
        {"type": "string", "minLength": 1, "maxLength": 40, "pattern": "^[^/?#]+$"},
        "The id (digits only), the code on the label, or `code:` and a code that is digits only.",
    ),
    "solvent": ({"type": "string", "pattern": "^[-a-zA-Z0-9_]{1,80}$"}, "The id or the key."),
    "entry": ({"type": "string", "format": "uuid"}, "The entry that its movements share."),
    "policy": (
        {"type": "string", "pattern": "^[a-z0-9]+(-[a-z0-9]+)*$", "maxLength": 60},
        "The policy's key.",
    ),
    "kind": ({"type": "string", "pattern": "^[a-zA-Z0-9-]{1,60}$"}, "The id or the key."),
    "field": ({"type": "string", "pattern": "^[a-zA-Z0-9-]{1,60}$"}, "The id or the key."),
    "prefix": ({"type": "string", "pattern": "^[a-zA-Z0-9]{1,16}$"}, "The token's id."),
    "waste": (
        {"type": "string", "minLength": 1, "maxLength": 40, "pattern": "^[^/?#]+$"},
        "The id (digits only), or the code on the label.",
    ),
}
ID_SCHEMA: dict[str, Any] = {"type": "string", "pattern": "^[0-9]{1,18}$"}


class FaultShape(serializers.Serializer[Any]):
    pointer = serializers.CharField(help_text="RFC 6901 pointer inside of what `in` names.")
    code = serializers.CharField()
    detail = serializers.CharField()
    remedy = serializers.CharField()
    source = serializers.CharField(  # type: ignore[assignment]
        required=False, help_text="Where the rule behind it comes from."
    )

    def get_fields(self) -> dict[str, Any]:
        where = serializers.ChoiceField(["body", "query", "header", "request"])
        return {"in": where, **super().get_fields()}


class ProblemShape(serializers.Serializer[Any]):
    """RFC 9457 problem details."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    code = serializers.CharField()
    detail = serializers.CharField()
    errors = FaultShape(many=True)  # type: ignore[assignment]
    request_id = serializers.CharField()


@cache
def page_of(shape: type[serializers.Serializer[Any]]) -> type[serializers.Serializer[Any]]:
    """The shape of one page of a list."""
    fields = {
        "next": serializers.URLField(allow_null=True),
        "previous": serializers.URLField(allow_null=True),
        "results": shape(many=True),
    }
    return type(shape.__name__.replace("Shape", "PageShape"), (serializers.Serializer,), fields)


class ContractSchema(AutoSchema):
    """Describes a view by its `contracts`."""

    @property
    def contract(self) -> Any:
        view: Any = self.view
        return view.contracts[self.method]

    def is_excluded(self) -> bool:
        return self.method not in getattr(self.view, "contracts", {})

    def get_operation_id(self) -> str:
        name = re.sub(r"(?<!^)(?=[A-Z])", "_", type(self.view).__name__).lower()
        return f"{self.method.lower()}_{name}"

    def get_summary(self) -> str:
        return str(self.contract.summary)

    def get_description(self) -> str:  # type: ignore[override]
        needs = self.contract.permission
        return "\n\n".join(part for part in (self.contract.words, needs and f"Needs `{needs}`.") if part)

    def get_tags(self) -> list[str]:
        parts = [p for p in self.path.removeprefix("/api/v1/").split("/") if p and "{" not in p]
        return [parts[1] if parts[:1] == ["labs"] and len(parts) > 1 else parts[0]]

    def get_request_serializer(self) -> Any:
        return self.contract.body

    def get_response_serializers(self) -> Any:
        contract = self.contract
        answer = page_of(contract.answer) if contract.paged else contract.answer
        answers: dict[Any, Any] = {}
        if contract.media:
            described = OpenApiResponse(OpenApiTypes.BINARY, contract.summary)
            answers[(contract.status, *contract.media)] = described
        if answer is not None or not contract.media:
            answers[(contract.status, "application/json")] = OpenApiResponse(answer, contract.summary)
        if contract.also is not None:
            answers[contract.also] = OpenApiResponse(answer, contract.summary)
        if contract.tagged and self.method == "GET":
            answers[304] = OpenApiResponse(None, "The caller has this version.")
        for status in ERRORS[self.method]:
            answers[(status, "application/problem+json")] = OpenApiResponse(ProblemShape, ERROR_WORDS[status])
        return answers

    def get_override_parameters(self) -> list[Any]:
        contract = self.contract
        found = [*self._path_parameters(), *self._header_parameters()]
        for param in contract.params:
            style: dict[str, Any] = {"explode": False, "style": "form"} if param.many else {}
            found.append(OpenApiParameter(param.name, dict(param.schema), description=param.words, **style))
        return found

    def _path_parameters(self) -> list[OpenApiParameter]:
        found: list[OpenApiParameter] = []
        for name in re.findall(r"{(\w+)}", self.path):
            schema, words = PATH_SCHEMAS.get(name, (ID_SCHEMA, "The id."))
            found.append(OpenApiParameter(name, schema, OpenApiParameter.PATH, True, words))
        return found

    def _header_parameters(self) -> list[OpenApiParameter]:
        contract: Any = self.contract
        header: Any = OpenApiParameter.HEADER
        good: list[int] = [contract.status]
        found: list[OpenApiParameter] = []
        every = [contract.status, *ERRORS[self.method]]
        found.append(_answer_header("X-Request-ID", every, "Also in our log."))
        found.append(_answer_header("WWW-Authenticate", [401], "How to sign in."))
        found.append(_answer_header("Retry-After", [429, 503], "Seconds to wait."))
        if self.method in {"POST", "PATCH"}:
            key = {"type": "string", "minLength": 1, "maxLength": 200, "pattern": "^[!-~]+$"}
            words = (
                "A fresh UUID for each thing done; the same again to repeat a request. "
                f"Answers are kept for {KEPT_FOR.days} days: after that a key counts as new."
            )
            found.append(OpenApiParameter("Idempotency-Key", key, header, True, words))
            found.append(_answer_header("Idempotency-Replayed", good, "`true`: answered before."))
        if self.method == "PATCH":
            tag = {"type": "string", "minLength": 1, "maxLength": 200, "pattern": "^[!-~]+$"}
            found.append(OpenApiParameter("If-Match", tag, header, True, "The ETag that was read."))
        if contract.tagged:
            statuses = [contract.status, 304] if self.method == "GET" else good
            found.append(_answer_header("ETag", statuses, "Of these very bytes."))
        return found


def _answer_header(name: str, statuses: list[int], words: str) -> OpenApiParameter:
    return OpenApiParameter(
        name, {"type": "string"}, OpenApiParameter.HEADER, False, words, response=list(statuses)
    )


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "inventory.api.authentication.TokenAuthentication"
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer", "description": "A token made under /tokens/."}


class SessionScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "inventory.api.authentication.PersonAuthentication"
    name = "session"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        words = "The cookie of the pages; writes need the X-CSRFToken header too."
        return {"type": "apiKey", "in": "cookie", "name": "sessionid", "description": words}


_kept: list[bytes] = []


def schema_view(request: HttpRequest) -> HttpResponse:
    """The OpenAPI document, made once for each process; it tells nothing about any lab."""
    from inventory.api.replies import tagged

    if not _kept:
        _kept.append(schema_bytes())
    return tagged(request, _kept[0], "application/vnd.oai.openapi+json;version=3.1")


def schema_bytes() -> bytes:
    from drf_spectacular.generators import SchemaGenerator

    from inventory.api.replies import dumps

    generator: Any = SchemaGenerator
    return dumps(generator().get_schema(request=None, public=True))
