"""The base of every API view: who may, what may be sent, and how an answer goes out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, ClassVar, cast

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.utils import timezone
from django.utils.functional import cached_property
from rest_framework import exceptions
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.serializers import BaseSerializer
from rest_framework.views import APIView

from inventory.access import Caller
from inventory.api import problems, throttle
from inventory.api.authentication import PersonAuthentication, TokenAuthentication, caller_for
from inventory.api.fields import Body
from inventory.api.idempotency import Done, do_once
from inventory.api.lookup import solvent_in
from inventory.api.negotiation import OnlyJson
from inventory.api.params import Param, read_params
from inventory.api.parsing import SMALL_BODY_BYTES, StrictJSONParser, check_length
from inventory.api.problems import QueryError
from inventory.api.replies import dumps, reply, tagged
from inventory.api.schema import ContractSchema
from inventory.models import User
from inventory.rules.errors import InputError
from inventory.selectors.due import today_in

NO_PARAMS: Mapping[str, Param] = {}


@dataclass(frozen=True)
class Contract:
    """What one method of an address asks for and gives. permission "": a signed-in person is enough.

    media: the media types of the answer where it is not, or not only, JSON; JSON is there if `answer` is set.
    """

    permission: str
    answer: type[BaseSerializer[Any]] | None
    summary: str
    body: type[Body] | None = None
    params: tuple[Param, ...] = ()
    status: int = 200
    paged: bool = False
    tagged: bool = False
    also: int | None = None
    words: str = ""
    media: tuple[str, ...] = ()
    known: Mapping[str, Param] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "known", {param.name: param for param in self.params})


class ApiView(APIView):
    """A view whose methods are described by `contracts`."""

    contracts: ClassVar[Mapping[str, Contract]] = {}
    body_limit_bytes: ClassVar[int] = SMALL_BODY_BYTES
    authentication_classes = [TokenAuthentication, PersonAuthentication]
    permission_classes: Any = []
    parser_classes: Any = [StrictJSONParser]
    renderer_classes = [JSONRenderer]
    content_negotiation_class = OnlyJson
    metadata_class = None
    http_method_names = ["get", "head", "post", "patch"]
    schema = ContractSchema()
    request: Request
    now: datetime

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        self.format_kwarg = None
        request.accepted_renderer, request.accepted_media_type = self.perform_content_negotiation(request)
        self.now = timezone.now()
        check_length(request.META.get("CONTENT_LENGTH"), self.body_limit_bytes)
        self.let_in(request)
        self.enter()

    def let_in(self, request: Request) -> None:
        """Raises NotAuthenticated, AuthenticationFailed, or Throttled for those two as well."""
        try:
            known = request.user.is_authenticated
        except exceptions.AuthenticationFailed:
            throttle.check_nobody(request)
            raise
        throttle.check(request)
        if not known:
            raise exceptions.NotAuthenticated("Sign in, or send a token as Authorization: Bearer.")

    def enter(self) -> None:
        """Nothing to enter outside a lab."""

    @property
    def contract(self) -> Contract:
        method = self.request.method or ""
        return self.contracts["GET" if method == "HEAD" else method]

    @property
    def query(self) -> dict[str, Any]:
        """The query parameters given, read by the contract."""
        return read_params(self.request._request.GET, self.contract.known)

    def handle_exception(self, exc: Exception) -> HttpResponseBase:  # type: ignore[override]
        response = problems.handle(exc, {"request": self.request})
        response.exception = True  # type: ignore[attr-defined]
        return response

    def listing(self, body: Any) -> HttpResponse:
        return reply(dumps(body))

    def detail(self, body: Any) -> HttpResponse:
        return tagged(self.request._request, dumps(body))

    def sent(self) -> Any:
        """The body as its description reads it. Raises ValidationError or InputError."""
        assert self.contract.body is not None
        read_params(self.request._request.GET, NO_PARAMS)
        body = self.contract.body(data=self.received)
        body.is_valid(raise_exception=True)
        return body.validated_data

    @property
    def received(self) -> Any:
        """The body as it came in."""
        return self.request.data

    def write(self, work: Callable[[Any], Done]) -> HttpResponse:
        """Carry out a POST or PATCH once for its Idempotency-Key."""
        data = self.sent()
        return self.once(lambda: work(data))

    def once(self, work: Callable[[], Done]) -> HttpResponse:
        """As `write`, for a body that has been read already."""
        user = cast(User, self.request.user)
        return do_once(self.request._request, user, self.raw(), self.now, work)

    def raw(self) -> bytes:
        """The bytes that tell this body from another one."""
        return getattr(self.request, "raw_body", b"")


class LabView(ApiView):
    """A view inside a lab: a stranger gets 404, a role that may not gets 403."""

    caller: Caller

    def enter(self) -> None:
        self.caller = caller_for(self.request.user, self.request.auth, self.kwargs["lab"])
        contract = self.contracts.get("GET" if self.request.method == "HEAD" else self.request.method or "")
        if contract is not None and contract.permission:
            self.caller.require(contract.permission)

    @property
    def query(self) -> dict[str, Any]:
        """As above; a solvent may be told by any of its names, and an unknown one is never just no result."""
        given = super().query
        if "solvent" in given:
            try:
                given["solvent"] = solvent_in(self.caller, given["solvent"]).key
            except InputError as error:
                raise QueryError("solvent", error.code, error.detail, error.remedy) from error
        return given

    @cached_property
    def today(self) -> date:
        """The lab's own calendar day."""
        return today_in(self.caller.lab, self.now)

    @cached_property
    def by(self) -> dict[str, Any]:
        """What every service asks for: lab, actor and now."""
        return {"lab": self.caller.lab, "actor": self.caller.user, "now": self.now}


def as_view(view: type[ApiView]) -> Callable[[HttpRequest], HttpResponseBase]:
    """The view as a function. Addresses without their last slash are 404, as a redirect loses a body."""
    made = view.as_view()
    made.should_append_slash = False  # type: ignore[attr-defined]
    return made
