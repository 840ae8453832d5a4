"""Programs that are told of alerts: added, tried, given a new secret, switched off."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import Max
from django.http import HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Delivery, Webhook
from inventory.services.delivery import webhooks as hooks
from inventory.services.delivery.webhook_keeping import why_held
from inventory.services.delivery.webhook_secrets import is_readable
from inventory.services.watches import rules
from inventory.web.deliveries import told
from inventory.web.desk import Desk, DeskForm, desk_page, status_of
from inventory.web.language import spoken
from inventory.web.places import form_page, posted
from inventory.web.rows import RowForm, act, asked
from inventory.web.secrets_once import shown_once

SIGNED = gettext_lazy(
    "Messages are signed with it by the Standard Webhooks scheme: headers webhook-id, webhook-timestamp and "
    "webhook-signature. An id that comes twice is the same message."
)


class WebhookForm(DeskForm):
    """Where a program listens, and for what."""

    name = forms.CharField(
        label=gettext_lazy("Name of the program"),
        max_length=80,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    url = forms.CharField(
        label=gettext_lazy("Its address"),
        max_length=500,
        help_text=gettext_lazy("https:// only, and none inside a private network."),
        widget=forms.TextInput(attrs={"inputmode": "url", "autocomplete": "off", "placeholder": "https://"}),
    )
    rules = forms.MultipleChoiceField(
        label=gettext_lazy("Told of"),
        required=False,
        choices=[],
        help_text=gettext_lazy("None chosen: of everything."),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["rules"]
        assert isinstance(field, forms.MultipleChoiceField)
        field.choices = [(rule.key, spoken(rule.words)) for rule in rules()]


@desk_page("webhooks.edit", "POST")
def webhooks(desk: Desk) -> HttpResponse:
    """All of a lab, those that wait for somebody first and ended ones last, each with its last message."""
    fault: RowForm | None = None
    form = WebhookForm()
    if asked(desk) and desk.request.POST["deed"] == "secret":
        fault = RowForm(desk.request.POST)
        shown = _new_secret(desk, fault)
        if shown is not None:
            return shown
    elif asked(desk):
        answer = act(desk, {"try": _try, "end": _end, "take": _take}, "webhooks")
        if not isinstance(answer, RowForm):
            return answer
        fault = answer
    elif desk.request.method == "POST":
        form = WebhookForm(desk.request.POST)
        shown = _add(desk, form)
        if shown is not None:
            return shown
    context = {"hooks": listed(desk), "make": form, "form": fault or form}
    status = 400 if fault else status_of(form)
    return desk.render("inventory/webhooks.html", context, here="more", status=status)


def listed(desk: Desk) -> list[dict[str, Any]]:
    """Those that wait for somebody first, ended ones last; each with what it is told and its last message."""
    words = {rule.key: spoken(rule.words) for rule in rules()}
    rows = Webhook.objects.filter(lab=desk.lab).select_related("actor")
    found = list(rows.annotate(last=Max("deliveries__pk")).order_by("-pk"))
    found.sort(key=lambda hook: (hook.ended_at is not None, hook.held_at is None))
    newest = Delivery.objects.select_related("webhook", "user").in_bulk([hook.last for hook in found])
    return [
        {
            "hook": hook,
            "rules": [words.get(key, key) for key in hook.rules],
            "last": told(newest[hook.last]) if hook.last in newest else None,
            "why_held": why_held(hook),
            "unreadable": hook.ended_at is None and not is_readable(hook),
        }
        for hook in found
    ]


def _add(desk: Desk, form: WebhookForm) -> HttpResponse | None:
    def make() -> str:
        given = form.cleaned_data
        return hooks.webhook_add(**desk.by, name=given["name"], url=given["url"], listens=given["rules"])[1]

    return shown_once(
        desk,
        form,
        make,
        back="webhooks",
        title=_("A program is told of alerts"),
        label=_("Secret"),
        what=SIGNED,
    )


def _new_secret(desk: Desk, form: RowForm) -> HttpResponse | None:
    def make() -> str:
        return hooks.secret_rotate(**desk.by, webhook=_found(desk, form.cleaned_data["row"]))[1]

    what = f"{_('For a day messages carry signatures of the old one as well.')} {SIGNED}"
    return shown_once(
        desk, form, make, back="webhooks", title=_("A new secret"), label=_("Secret"), what=what
    )


@desk_page("webhooks.edit", "POST")
def change(desk: Desk, webhook: str) -> HttpResponse:
    """Another name or address, other kinds of alerts; its secret and what was sent stay."""
    hook = _found(desk, webhook)
    start = {"name": hook.name, "url": hook.url, "rules": hook.rules}
    form = WebhookForm(posted(desk), initial=start)
    back = reverse("webhooks", args=[desk.lab.slug])

    def work() -> str:
        changes = {name: form.cleaned_data[name] for name in ("name", "url", "rules")}
        hooks.webhook_edit(**desk.by, webhook=hook, changes=changes)
        return _("Changed. Try it with a trial message.")

    return form_page(
        desk, form, work, lambda: back, title=_("Change a program that is told"),
        button=_("Save the change"), back=back,
        words=_("The secret stays the same, and messages that wait go to the new address."),
    )  # fmt: skip


def _found(desk: Desk, row: str) -> Webhook:
    return desk.caller.by_id(Webhook.objects.all(), row)


def _try(desk: Desk, row: str) -> str:
    hooks.trial(**desk.by, webhook=_found(desk, row))
    return _("A trial message is on its way. What became of it stands here in a moment.")


def _take(desk: Desk, row: str) -> str:
    hook = hooks.take_over(**desk.by, webhook=_found(desk, row))
    words = _("You answer for “%(name)s” now, and what waited for it is sent.") % {"name": hook.name}
    return f"{words} {_('Whoever made it knows its address and its secret: see that both are still right.')}"


def _end(desk: Desk, row: str) -> str:
    hook = hooks.webhook_end(**desk.by, webhook=_found(desk, row))
    return _("“%(name)s” is told of nothing any more.") % {"name": hook.name}
