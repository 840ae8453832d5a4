"""Secret addresses of calendars and Atom feeds: made here, shown once, and ended."""

from __future__ import annotations

from django import forms
from django.http import Http404, HttpResponse
from django.utils.text import format_lazy
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Feed
from inventory.selectors.people import feeds_of
from inventory.selectors.site import site_of
from inventory.services.delivery.feeds import feed_add, feed_address, feed_revoke
from inventory.web.desk import Desk, DeskForm, desk_page, status_of
from inventory.web.rows import RowForm, act, asked
from inventory.web.secrets_once import shown_once

KIND_WORDS = {
    "calendar": gettext_lazy("calendar: when which test is due"),
    "atom": gettext_lazy("feed: what is to be done, for a feed reader"),
}


class FeedForm(DeskForm):
    """A calendar or a feed for one reader."""

    kind = forms.ChoiceField(
        label=gettext_lazy("Kind"),
        choices=[("calendar", gettext_lazy("Calendar")), ("atom", gettext_lazy("Feed"))],
        help_text=format_lazy("{}; {}.", KIND_WORDS["calendar"], KIND_WORDS["atom"]),
    )
    name = forms.CharField(
        label=gettext_lazy("Where it will be read"),
        required=False,
        max_length=80,
        help_text=gettext_lazy("Such as: telephone of the prep room."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )


@desk_page("feeds.own", "POST")
def feeds(desk: Desk) -> HttpResponse:
    """A person's own; a supervisor sees and ends everybody's, without their secrets."""
    fault: RowForm | None = None
    form = FeedForm()
    if asked(desk):
        answer = act(desk, {"end": _end}, "feeds")
        if not isinstance(answer, RowForm):
            return answer
        fault = answer
    elif desk.request.method == "POST":
        form = FeedForm(desk.request.POST)
        shown = shown_once(
            desk,
            form,
            lambda: _make(desk, form),
            back="feeds",
            title=_("An address to subscribe to"),
            label=_("Secret address"),
            what=_("Whoever has it may read it without signing in, until it is ended."),
        )
        if shown is not None:
            return shown
    everybody = desk.caller.may("tokens.edit")
    context = {
        "feeds": feeds_of(lab=desk.lab, user=None if everybody else desk.caller.user),
        "kinds": KIND_WORDS,
        "everybody": everybody,
        "make": form,
        "form": fault or form,
    }
    return desk.render("inventory/feeds.html", context, here="more", status=400 if fault else status_of(form))


def _make(desk: Desk, form: FeedForm) -> str:
    feed, secret = feed_add(**desk.by, kind=form.cleaned_data["kind"], name=form.cleaned_data["name"])
    return feed_address(site=site_of(desk.request), kind=feed.kind, secret=secret)


def _end(desk: Desk, row: str) -> str:
    feed = desk.caller.by_id(Feed.objects.all(), row)
    if feed.user_id != desk.caller.user.pk and not desk.caller.may("tokens.edit"):
        raise Http404
    feed_revoke(**desk.by, feed=feed)
    return _("Nothing can be read at that address any more.")
