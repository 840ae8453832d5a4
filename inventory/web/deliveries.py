"""What is on its way to people and programs: what waits, what was given up and why, sent again on request."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.db.models import QuerySet
from django.http import HttpResponse, StreamingHttpResponse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Delivery
from inventory.models.outbox import CHANNELS, CONFIRM, NOTICE
from inventory.selectors.outgoing import deliveries_of, delivery_counts
from inventory.services.delivery import outbox
from inventory.services.delivery.outbox import STATES
from inventory.services.delivery.reach import reach_of
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, desk_page
from inventory.web.rows import PAGE, RowForm, act, before_of, kept_filters

STATE_WORDS = {
    "waiting": gettext_lazy("waiting"),
    "sent": gettext_lazy("sent"),
    "failed": gettext_lazy("given up"),
    "withdrawn": gettext_lazy("needed no more"),
}
CHANNEL_WORDS = {
    "email": gettext_lazy("mail about one alert"),
    "digest": gettext_lazy("mail of the morning"),
    "webhook": gettext_lazy("message to a program"),
    "confirm": gettext_lazy("mail that confirms an address"),
    "notice": gettext_lazy("notice of a change"),
}
# State → what is then not sent again by hand (`outbox.replay`); in any other state nothing is.
NOT_AGAIN = {"failed": [CONFIRM], "sent": [CONFIRM, NOTICE]}
CSV_COLUMNS = (
    "id", "channel", "state", "to", "alert", "message_id", "attempts", "created_at", "due_at", "sent_at",
    "failed_at", "withdrawn_at", "last_error",
)  # fmt: skip


class DeliveryFilter(forms.Form):
    """What to show; its answer has an address of its own."""

    state = forms.ChoiceField(
        label=gettext_lazy("State"),
        required=False,
        choices=[("", gettext_lazy("all")), *((state, STATE_WORDS[state]) for state in STATES)],
    )
    channel = forms.ChoiceField(
        label=gettext_lazy("Kind"),
        required=False,
        choices=[("", gettext_lazy("all")), *CHANNEL_WORDS.items()],
    )

    def rows(self, desk: Desk, before: int | None) -> QuerySet[Delivery]:
        """What fits. What cannot be read of the address is left out."""
        self.is_valid()
        told = self.cleaned_data
        rows = deliveries_of(lab=desk.lab, channel=told.get("channel", ""), before=before)
        return rows.filter(outbox.state_q(told["state"])) if told.get("state") else rows


def _filter(desk: Desk) -> DeliveryFilter:
    return DeliveryFilter(desk.request.GET, label_suffix="")


@desk_page("deliveries.read", "POST")
def deliveries(desk: Desk) -> HttpResponse:
    """The newest first; what was given up can be sent again."""
    fault: RowForm | None = None
    if desk.request.method == "POST":
        desk.require("deliveries.replay")
        answer = act(desk, {"again": _again}, "deliveries")
        if not isinstance(answer, RowForm):
            return answer
        fault = answer
    wanted = _filter(desk)
    rows = list(wanted.rows(desk, before_of(desk))[: PAGE + 1])
    kept = kept_filters(desk)
    context = {
        "rows": [told(row) for row in rows[:PAGE]],
        "counts": delivery_counts(lab=desk.lab),
        "reach": reach_of(desk.lab),
        "filter": wanted,
        "filtered": bool(kept),
        "download": urlencode(kept),
        "more": urlencode({**kept, "before": rows[PAGE - 1].pk}) if len(rows) > PAGE else "",
        "form": fault,
    }
    return desk.render("inventory/deliveries.html", context, here="more", status=400 if fault else 200)


def told(row: Delivery) -> dict[str, Any]:
    """One message for a page: to whom, its state in words, and whether it can be sent again."""
    state = outbox.state_of(sent_at=row.sent_at, failed_at=row.failed_at, withdrawn_at=row.withdrawn_at)
    person = row.user.display_name if row.user else ""
    return {
        "row": row,
        "to": row.webhook.name if row.webhook else person,
        "state": state,
        "state_words": STATE_WORDS[state],
        "channel_words": CHANNEL_WORDS.get(row.channel, row.channel),
        "again": row.channel not in NOT_AGAIN.get(state, CHANNELS),
        "at": row.sent_at or row.failed_at or row.withdrawn_at or row.due_at,
    }


def _again(desk: Desk, row: str) -> str:
    delivery = desk.caller.by_id(Delivery.objects.all(), row)
    outbox.replay(**desk.by, delivery=delivery)
    return _("It goes out again, under the same id, as soon as a worker is free.")


@desk_page("deliveries.read")
def deliveries_csv(desk: Desk) -> StreamingHttpResponse:
    return csv_file(f"{desk.lab.slug}-deliveries", CSV_COLUMNS, _lines(_filter(desk).rows(desk, None)))


def _lines(rows: QuerySet[Delivery]) -> Iterator[list[Any]]:
    for row in rows.iterator(chunk_size=500):
        one = told(row)
        yield [
            row.pk, row.channel, one["state"], one["to"], row.alert_id, row.message_id, row.attempts,
            *(_moment(getattr(row, name)) for name in CSV_COLUMNS[7:12]), row.last_error,
        ]  # fmt: skip


def _moment(at: Any) -> str:
    return "" if at is None else at.isoformat()
