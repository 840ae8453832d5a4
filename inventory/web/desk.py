"""What every page of a lab shares: the one door, the clock read once, the way around, and the key of a form.

A form carries a key made when it was shown. Sent twice, by a double tap or by a phone that got its network
back, it is carried out once and the person sees the same words again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import wraps
from http import HTTPStatus
from typing import Any, cast
from uuid import uuid4
from zoneinfo import ZoneInfo

from django import forms
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from inventory import access
from inventory.access import Caller
from inventory.models import Container, Lab, User
from inventory.rules.errors import Conflict, Denied, InputError, Refusal
from inventory.selectors.due import today_in
from inventory.services.events import record
from inventory.services.once import Reply, fingerprint, once
from inventory.web.language import spoken
from inventory.web.numbers import AsksWhatIsMeant

KEY = "key"
SENT_BY_SCRIPT = "X-Kept-Form"
# Whose form it is that a browser kept: it may be sent after somebody else has signed in there.
KEPT_BY = "X-Kept-By"
# When it was tapped. A form that took longer than this to arrive was kept by the browser.
TAPPED = "tapped_at"
LATE = timedelta(minutes=2)
TOLD_LATE = "told-late"
GO_TO = "X-Go-To"


@dataclass(frozen=True)
class Way:
    """One way from every page of a lab: the name of its address, its words, what it needs."""

    name: str
    words: Any
    permission: str


# Five fit in one hand at 390 px.
WAYS = (
    Way("lab", gettext_lazy("Today"), "lab.read"),
    Way("scan", gettext_lazy("Scan"), "stock.read"),
    Way("shelf", gettext_lazy("Shelf"), "stock.read"),
    Way("runs", gettext_lazy("Runs"), "runs.read"),
    Way("more", gettext_lazy("More"), "lab.read"),
)


@dataclass(frozen=True)
class Desk:
    """A signed-in person at a page of one of their labs."""

    request: HttpRequest
    caller: Caller
    now: datetime

    @property
    def lab(self) -> Lab:
        return self.caller.lab

    @property
    def by(self) -> dict[str, Any]:
        """The keywords that every service takes."""
        return {"lab": self.caller.lab, "actor": self.caller.user, "now": self.now}

    @property
    def today(self) -> date:
        return today_in(self.caller.lab, self.now)

    def render(
        self, template: str, context: dict[str, Any], *, here: str = "", status: int = 200
    ) -> HttpResponse:
        """The page in the lab's own time zone. here: name of the way that it lies on."""
        shared = {
            "lab": self.lab,
            "role": self.caller.role,
            "may": self.caller.permissions,
            "today": self.today,
            "ways": [way for way in WAYS if self.caller.may(way.permission)],
            "here": here,
            # Asked only by pages that say what to do in a lab that holds nothing.
            "holds_nothing": lambda: not Container.objects.filter(lab=self.lab, discarded_at=None).exists(),
        }
        with timezone.override(ZoneInfo(self.lab.time_zone)):
            return render(self.request, template, {**shared, **context}, status=status)

    def require(self, permission: str) -> None:
        """403 with words when the person, known here, may not do this."""
        try:
            self.caller.require(permission)
        except Denied as denied:
            raise PermissionDenied(refused(denied)) from denied


View = Callable[..., HttpResponseBase]


def desk_page(permission: str, *methods: str) -> Callable[[View], View]:
    """A view `(desk, **address)` behind the door of the lab named in the address; a stranger gets 404."""

    def wrap(view: View) -> View:
        @never_cache
        @_theirs
        @login_required
        @require_http_methods(["GET", "HEAD", *methods])
        @wraps(view)
        def page(request: HttpRequest, slug: str, **address: Any) -> HttpResponseBase:
            caller = access.enter(cast(User, request.user), slug)
            desk = Desk(request, caller, timezone.now())
            desk.require(permission)
            with timezone.override(ZoneInfo(caller.lab.time_zone)):
                return _for_script(request, view(desk, **address))

        return page

    return wrap


def _theirs(view: View) -> View:
    """401 for a form that the script sends while nobody, or another person, is signed in: it keeps it."""

    @wraps(view)
    def page(request: HttpRequest, *args: Any, **address: Any) -> HttpResponseBase:
        whose = request.headers.get(KEPT_BY)
        if whose is not None and whose != str(request.user.pk):
            return HttpResponse(status=HTTPStatus.UNAUTHORIZED)
        return view(request, *args, **address)

    return page


def refused(error: InputError) -> str:
    """What is wrong and what to do, in the language of the page."""
    return f"{spoken(error.detail)} {spoken(error.remedy)}".strip()


class DeskForm(AsksWhatIsMeant):
    """A form that writes. `field_of` says which field shows a fault of which member of the service.

    keeps_time: what it records bears the time of happening; else an event keeps that of a late form.
    """

    field_of: dict[str, str] = {}
    keeps_time = False
    # Folded away where a form has such: a template compares every field with them.
    late_fields: tuple[str, ...] = ()

    key = forms.CharField(max_length=200, widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        initial = {KEY: str(uuid4()), **(kwargs.pop("initial", None) or {})}
        super().__init__(*args, **{"label_suffix": "", "initial": initial, **kwargs})

    def tapped(self) -> datetime | None:
        """When it was tapped, if that was a while ago; a clock that runs ahead is not believed."""
        tapped = self.tapped_ever()
        return None if tapped is None or timezone.now() - tapped < LATE else tapped

    def tapped_ever(self) -> datetime | None:
        """When it was tapped by the browser's clock, however short ago; None when it does not say."""
        try:
            tapped = parse_datetime(str(self.data.get(TAPPED, "")))
        except ValueError:
            return None
        return None if tapped is None or tapped.tzinfo is None else tapped

    def refuse(self, error: InputError) -> None:
        """Show a refusal at the field it names, or above the form; every cause with its source."""
        if isinstance(error, Refusal):
            said: set[str] = set()
            for cause in error.causes:
                source = _("Source: %(source)s") % {"source": spoken(cause.source)} if cause.source else ""
                told = (spoken(cause.detail), "" if cause.remedy in said else spoken(cause.remedy), source)
                said.add(cause.remedy)
                self.add_error(None, " ".join(filter(None, told)))
            return
        name = self.field_of.get(error.field, error.field.split(".")[0])
        at = name if name in self.fields and not isinstance(error, Denied) else None
        self.add_error(at, refused(error))


def done(desk: Desk, form: DeskForm, work: Callable[[], str], about: Model | None = None) -> str | None:
    """Carry a valid form out, once under its key. Returns what to tell the person, or None when refused.

    about: the record that it is of; the lab when it has none.

    A refusal stands in the form afterwards, with everything that was typed. Nothing of it is kept, so the
    same key serves when it is sent again.
    """
    request = desk.request
    told = sorted((name, value) for name in request.POST for value in request.POST.getlist(name))
    body = repr([pair for pair in told if pair[0] != "csrfmiddlewaretoken"]).encode()
    digest = fingerprint(b"page", request.path.encode(), body)
    try:
        reply = once(
            user=desk.caller.user,
            key=form.cleaned_data[KEY],
            body_sha256=digest,
            now=desk.now,
            work=lambda: Reply(200, {"words": _timed(desk, form, work, about)}),
        )
    except InputError as error:
        if isinstance(error, Conflict) and error.code == "key-used-before":
            # Sent, changed and sent again: the first was carried out. A fresh key is for the second.
            form.data = request.POST.copy()
            form.data[KEY] = str(uuid4())
            form.add_error(
                None,
                _("What you sent first has been recorded already. Look before you send this as well."),
            )
        else:
            form.refuse(error)
        return None
    return str(reply.body["words"])


def _timed(desk: Desk, form: DeskForm, work: Callable[[], str], about: Model | None) -> str:
    """Carry it out; where it was kept for want of a network, its time of happening is kept as well."""
    words = work()
    tapped = form.tapped()
    if tapped is not None and not form.keeps_time:
        said = {"form": desk.request.path.rstrip("/").rsplit("/", 1)[-1], "told_at": tapped.isoformat()}
        record(**desk.by, verb=TOLD_LATE, subject=about or desk.lab, data=said)
    return words


def _for_script(request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
    """To the script that sends forms, where to go next instead of a redirect.

    It would follow one by itself, and the words for the person would be shown to nobody.
    """
    if response.status_code != HTTPStatus.FOUND or SENT_BY_SCRIPT not in request.headers:
        return response
    return HttpResponse(status=HTTPStatus.NO_CONTENT, headers={GO_TO: response["Location"]})


def status_of(form: forms.Form) -> int:
    """400 when something is to be mended, else 200."""
    return 400 if form.errors else 200
