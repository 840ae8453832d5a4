"""Every refusal in one form: RFC 9457 problem details, with one entry for each fault a caller can mend.

Bad input is answered 400 throughout, never 422: "mend the request and send it again" is one case for a
client, whether the JSON, a field or the meaning of a field is at fault.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Iterable, Mapping, Sequence
from http import HTTPStatus
from typing import Any

import orjson
from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.http import Http404, HttpRequest, HttpResponse
from rest_framework import exceptions

from inventory.api.overload import RETRY_AFTER_S, is_overload
from inventory.rules.errors import Conflict, Denied, InputError, Refusal

MEDIA_TYPE = "application/problem+json"
CHALLENGE = 'Bearer realm="stillkeep"'
# Between the words of what is none of the choices and the choices.
REMEDY_FOLLOWS = "\x1f"
HEADER_FIELDS = {"Idempotency-Key", "If-Match"}
logger = logging.getLogger("stillkeep.api")


class QueryError(InputError):
    """A fault in a query parameter."""


class PreconditionError(InputError):
    """A conditional request that cannot go on: 428 when If-Match is missing, 412 when it is stale."""

    def __init__(self, status: int, code: str, detail: str, remedy: str) -> None:
        super().__init__("If-Match", code, detail, remedy)
        self.status = status


class TooLarge(InputError):
    """A body above the limit of its address (413)."""


def fault(where: str, path: str, code: str, detail: str, remedy: str = "") -> dict[str, str]:
    """One entry of `errors`. in: body, query, header or request; pointer: RFC 6901, inside of that."""
    return {"in": where, "pointer": path, "code": code, "detail": detail, "remedy": remedy}


def problem(
    status: int,
    code: str,
    detail: str,
    *,
    errors: Sequence[Mapping[str, str]] = (),
    headers: Mapping[str, str] | None = None,
    request: HttpRequest | None = None,
) -> HttpResponse:
    """A problem response; `code` is the first fault's code or that of the whole refusal."""
    body = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "code": code,
        "detail": detail,
        "errors": list(errors),
        "request_id": getattr(request, "request_id", ""),
    }
    response = HttpResponse(orjson.dumps(body), status=status, content_type=MEDIA_TYPE)
    for name, value in (headers or {}).items():
        response[name] = value
    return response


def from_input_error(error: InputError, request: HttpRequest | None = None) -> HttpResponse:
    """400, or 403, 409, 412, 413 and 428 for the kinds that have a status of their own."""
    if isinstance(error, PreconditionError):
        status = error.status
    else:
        kinds = {Conflict: 409, Denied: 403, TooLarge: 413}
        status = next((number for kind, number in kinds.items() if isinstance(error, kind)), 400)
    where = "query" if isinstance(error, QueryError) else "body"
    if error.field in HEADER_FIELDS:
        where = "header"
    path = "".join(f"/{part}" for part in error.field.split(".")) if error.field else ""
    if not path:
        where = "request"
    errors = [fault(where, path, error.code, error.detail, error.remedy)]
    if isinstance(error, Refusal) and error.causes:
        errors = [fault(where, path, c.code, c.detail, c.remedy) | {"source": c.source} for c in error.causes]
    detail = f"{error.detail} {error.remedy}".strip()
    return problem(status, error.code, detail, errors=errors, request=request)


def from_validation(error: exceptions.ValidationError, request: HttpRequest | None = None) -> HttpResponse:
    """400 with one entry for each field that the body's description refuses."""
    errors = list(_flatten(error.detail, ""))
    count = len(errors)
    first = f"{errors[0]['detail']} {errors[0]['remedy']}".strip()
    detail = first if count == 1 else f"{count} fields cannot be used as they stand."
    return problem(
        400, errors[0]["code"] if count == 1 else "invalid", detail, errors=errors, request=request
    )


def _flatten(detail: Any, path: str) -> Iterable[dict[str, str]]:
    if isinstance(detail, Mapping):
        for name, inner in detail.items():
            yield from _flatten(
                inner, path if name == "non_field_errors" else f"{path}/{_escaped(str(name))}"
            )
    elif isinstance(detail, list):
        for inner in detail:
            yield from _flatten(inner, path)
    else:
        code = str(getattr(detail, "code", "invalid")).replace("_", "-")
        words, remedy = str(detail), ""
        if code == "invalid-choice" and REMEDY_FOLLOWS in words:
            words, _, remedy = words.rpartition(REMEDY_FOLLOWS)
        yield fault("body", path, code, words, remedy)


def _escaped(name: str) -> str:
    return name[:200].replace("~", "~0").replace("/", "~1")


def handle(error: Exception, context: Mapping[str, Any]) -> HttpResponse:
    """Exception handler of every API view: whatever goes wrong, the answer is a problem."""
    request = context["request"]._request
    if isinstance(error, InputError):
        return from_input_error(error, request)
    if isinstance(error, exceptions.ValidationError):
        return from_validation(error, request)
    if isinstance(error, Http404):
        return not_found(request)
    if isinstance(error, PermissionDenied):
        error = exceptions.PermissionDenied()
    if isinstance(error, RequestDataTooBig):
        return problem(413, "too-large", "The body is larger than this address takes.", request=request)
    if isinstance(error, SuspiciousOperation):
        return problem(400, "invalid", "This request could not be read.", request=request)
    if isinstance(error, exceptions.APIException):
        return from_rest_framework(error, request, _kinds_read(context["request"]))
    if is_overload(error):
        return busy(request)
    logger.exception("unexpected fault", extra={"request_id": getattr(request, "request_id", "")})
    return unexpected(request)


def _kinds_read(request: Any) -> list[str]:
    """Media types of a body that the address asked reads, JSON first where it reads that."""
    kinds = [str(parser.media_type) for parser in getattr(request, "parsers", ())]
    return sorted(kinds, key=lambda kind: kind != "application/json")


def from_rest_framework(
    error: exceptions.APIException, request: HttpRequest, kinds: Sequence[str] = ()
) -> HttpResponse:
    """401, 403, 405, 406, 415 and 429 as the framework raises them. kinds: of a body that is read there."""
    headers: dict[str, str] = {}
    if isinstance(error, exceptions.UnsupportedMediaType):
        return _unread(str(error.detail), kinds or ["application/json"], request)
    if error.status_code == 401:
        headers["WWW-Authenticate"] = CHALLENGE
    if (wait := getattr(error, "wait", None)) is not None:
        headers["Retry-After"] = str(max(1, math.ceil(wait)))
    code = str(error.default_code).replace("_", "-")
    return problem(error.status_code, code, str(error.detail), headers=headers, request=request)


def _unread(detail: str, kinds: Sequence[str], request: HttpRequest) -> HttpResponse:
    """415: the body is of a kind that is not read there, with what to send instead."""
    remedy = f"Send JSON, and say so in the header: Content-Type: {kinds[0]}."
    if kinds[0] != "application/json" or len(kinds) > 1:
        remedy = f"Send one of these, and name it in the header Content-Type: {', '.join(kinds)}."
    code = "unsupported-media-type"
    errors = [fault("header", "/Content-Type", code, detail, remedy)]
    return problem(415, code, f"{detail} {remedy}", errors=errors, request=request)


def not_found(request: HttpRequest) -> HttpResponse:
    remedy = "" if request.path.endswith("/") else " Addresses end with a slash."
    return problem(404, "not-found", f"There is nothing here for you.{remedy}", request=request)


def busy(request: HttpRequest) -> HttpResponse:
    """503 with Retry-After: the database is busy or away. The same key sent again does the work once."""
    logger.warning(
        "the database is busy or away",
        exc_info=True,
        extra={"request_id": getattr(request, "request_id", "")},
    )
    detail = "The records could not be reached in time. Send the very same request again, with its key."
    return problem(503, "busy", detail, headers={"Retry-After": str(RETRY_AFTER_S)}, request=request)


def unexpected(request: HttpRequest) -> HttpResponse:
    """500: nothing was booked; the request id finds the cause in the log."""
    detail = "Something went wrong here; nothing was changed. Tell us the request_id."
    return problem(500, "unexpected", detail, request=request)
