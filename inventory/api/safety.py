"""Peroxide tests, signs seen, what is due, alerts."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from rest_framework import serializers

from inventory.access import Caller
from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.bench import BenchView
from inventory.api.fields import Body, DayField, NoteField, TextField
from inventory.api.idempotency import Done
from inventory.api.labs import Nothing
from inventory.api.lookup import container_at, containers, sign_at, test_at
from inventory.api.paging import ID, Key, orderings, page
from inventory.api.quantities import volume_out
from inventory.api.rows import (
    SIGN_COLUMNS,
    TEST_COLUMNS,
    reasons_out,
    sign_out,
    solvent_ref,
    test_out,
)
from inventory.api.shapes import AlertShape, DueItemShape, SignShape, SweptShape, TestShape
from inventory.models import Alert, Container, Observation, PeroxideTest
from inventory.rules.peroxide import METHODS, NOT_STATED
from inventory.selectors.due import RANK_WORDS, due_containers, today_in
from inventory.services import safety
from inventory.services.sweep import sweep
from inventory.services.withdrawals import sign_withdraw, test_withdraw

NEWEST = orderings(id=Key("id", "int"))


class TestMake(Body):
    """A result as read: a number in mg/L, "<1", ">25", "5-10", "neg", "trace"."""

    reading = TextField(max_length=60)
    method = serializers.ChoiceField(list(METHODS), required=False)
    tested_on = DayField(allow_null=True, required=False, help_text="Left out: today. null: not known.")
    note = NoteField()


class ContainerTests(BenchView):
    """Tests made on a container."""

    contracts = {
        "GET": Contract(
            "safety.read", TestShape, "Tests of a container", params=params.paging(NEWEST), paged=True
        ),
        "POST": Contract("safety.test", TestShape, "Record a test", body=TestMake, status=201),
    }

    def get(self, request: Any, lab: str, container: str) -> HttpResponse:
        given = self.query
        rows = PeroxideTest.objects.filter(container=container_at(self.caller, container))
        keys = NEWEST[given.get("ordering", "-id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=TEST_COLUMNS, given=given, shape=test_out)
        )

    def act(self, container: Container, data: Any) -> Done:
        made = safety.test_record(
            **self.by,
            container=container,
            reading=data["reading"],
            method=data.get("method", NOT_STATED),
            tested_on=data["tested_on"] if "tested_on" in data else today_in(self.caller.lab, self.now),
            note=data.get("note", ""),
        )
        return Done(_test(made.test.pk))


def _test(pk: int) -> dict[str, Any]:
    return test_out(PeroxideTest.objects.filter(pk=pk).values_list(*TEST_COLUMNS).get())


class SignMake(Body):
    sign = serializers.ChoiceField(list(safety.SIGNS))
    words = NoteField(max_length=300)
    seen_on = DayField(required=False)


class ContainerSigns(BenchView):
    """Signs seen on a container, such as crystals round the cap."""

    contracts = {
        "GET": Contract(
            "safety.read", SignShape, "Signs seen on a container", params=params.paging(NEWEST), paged=True
        ),
        "POST": Contract("safety.observe", SignShape, "Record a sign", body=SignMake, status=201),
    }

    def get(self, request: Any, lab: str, container: str) -> HttpResponse:
        given = self.query
        rows = Observation.objects.filter(container=container_at(self.caller, container))
        keys = NEWEST[given.get("ordering", "-id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=SIGN_COLUMNS, given=given, shape=sign_out)
        )

    def act(self, container: Container, data: Any) -> Done:
        row = safety.observe(**self.by, container=container, **data)
        return Done(_sign(row.pk))


def _sign(pk: int) -> dict[str, Any]:
    return sign_out(Observation.objects.filter(pk=pk).values_list(*SIGN_COLUMNS).get())


class Withdrawal(Body):
    reason = NoteField(max_length=300)


def _signature(caller: Caller, data: Any) -> dict[str, Any]:
    """Why, and whether this person may make a container look safer than the records do."""
    return {"reason": data.get("reason", ""), "may_loosen": caller.may("safety.loosen")}


class TestWithdrawals(LabView):
    """A test that was recorded wrongly is taken back by a new row."""

    contracts = {
        "POST": Contract(
            "safety.withdraw",
            TestShape,
            "Withdraw a test",
            body=Withdrawal,
            status=201,
            words="One that does not pass, or without which the next test is later, needs `safety.loosen` "
            "too, unless it is a slip of the caller's own finger of the last fifteen minutes.",
        )
    }

    def post(self, request: Any, lab: str, test: str) -> HttpResponse:
        found = test_at(self.caller, test)

        def work(data: Any) -> Done:
            row = test_withdraw(**self.by, test=found, **_signature(self.caller, data))
            return Done(_test(row.pk))

        return self.write(work)


class SignWithdrawals(LabView):
    """A sign that was not there is taken back by a new row."""

    contracts = {
        "POST": Contract(
            "safety.withdraw",
            SignShape,
            "Withdraw a sign",
            body=Withdrawal,
            status=201,
            words="Needs `safety.loosen` too, unless it is a slip of the caller's own finger of the last "
            "fifteen minutes.",
        )
    }

    def post(self, request: Any, lab: str, sign: str) -> HttpResponse:
        found = sign_at(self.caller, sign)

        def work(data: Any) -> Done:
            row = sign_withdraw(**self.by, sign=found, **_signature(self.caller, data))
            return Done(_sign(row.pk))

        return self.write(work)


BY_DANGER = {"danger": [Key("rank", "int"), Key("next_test_due", "day", nullable=True), ID]}
# Each row's reasons are worked out anew by the one rule, so a page of them is kept short.
DUE_PAGE_MAX = 100


class DueList(LabView):
    """Containers that need a test or a person, most dangerous first."""

    contracts = {
        "GET": Contract(
            "safety.read",
            DueItemShape,
            "What is due",
            params=params.paging(BY_DANGER, most=DUE_PAGE_MAX),
            paged=True,
            words=f"States, worst first: {', '.join(RANK_WORDS)}.",
        )
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        today = today_in(self.caller.lab, self.now)
        body = page(
            request._request,
            due_containers(lab=self.caller.lab, today=today),
            keys=BY_DANGER["danger"],
            columns=("id", "rank"),
            given=given,
            shape=tuple,
        )
        wanted = [pk for pk, _ in body["results"]]
        full = containers().in_bulk(wanted)
        body["results"] = [_due_item(full[pk], RANK_WORDS[rank], today) for pk, rank in body["results"]]
        return self.listing(body)


def _due_item(container: Container, state: str, today: Any) -> dict[str, Any]:
    due, lot, location = safety.due_of(container), container.lot, container.location
    on = container.next_test_due
    return {
        "container": {"id": str(container.pk), "code": container.code},
        "solvent": None if lot is None else solvent_ref(lot.solvent_id, lot.solvent.key, lot.solvent.name),
        "location": None if location is None else {"id": str(location.pk), "name": location.name},
        "volume": volume_out(container.volume_ul),
        "state": state,
        "next_test_due_on": on,
        "days_overdue": None if on is None else (today - on).days,
        "worst_sign": container.worst_sign,
        "code": container.due_code,
        "words": container.due_words,
        "reasons": [] if due is None else reasons_out(due),
    }


ALERT_COLUMNS = (
    "id", "rule", "subject_kind", "subject_id", "due_on", "opened_at", "closed_at", "cured_by",
)  # fmt: skip


def _alert_out(row: Any) -> dict[str, Any]:
    pk, rule, kind, subject_id, due_on, opened_at, closed_at, cured_by = row
    return {
        "id": str(pk),
        "rule": rule,
        "subject": {"kind": kind, "id": str(subject_id)},
        "due_on": due_on,
        "opened_at": opened_at,
        "closed_at": closed_at,
        "cured_by": cured_by,
    }


class Alerts(LabView):
    """What the sweep found, newest first."""

    contracts = {
        "GET": Contract(
            "alerts.read",
            AlertShape,
            "Alerts",
            params=(params.flag("open"), params.text("rule"), *params.paging(NEWEST)),
            paged=True,
        )
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = Alert.objects.filter(lab=self.caller.lab)
        if "open" in given:
            rows = rows.filter(closed_at__isnull=given["open"])
        if "rule" in given:
            rows = rows.filter(rule=given["rule"])
        keys = NEWEST[given.get("ordering", "-id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=ALERT_COLUMNS, given=given, shape=_alert_out)
        )


class Sweeps(LabView):
    """Bring the lab's alerts up to date now instead of at the next scheduled time."""

    contracts = {"POST": Contract("alerts.sweep", SweptShape, "Sweep now", body=Nothing, status=201)}

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            swept = sweep(now=self.now, lab=self.caller.lab)
            rules = [
                {"rule": rule, "opened": found.opened, "closed": found.closed}
                for rule, found in swept.items()
            ]
            return Done({"at": self.now, "rules": rules})

        return self.write(work)
