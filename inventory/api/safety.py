"""Peroxide tests, signs seen, what is due."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from rest_framework import serializers

from inventory.access import Caller
from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.bench import BenchView
from inventory.api.fields import Body, DayField, NoteField, RefField, TextField
from inventory.api.idempotency import Done
from inventory.api.lookup import container_at, containers, sign_at, test_at
from inventory.api.measures import BenchTitration
from inventory.api.paging import ID, Key, orderings, page
from inventory.api.quantities import volume_out
from inventory.api.reagents import reagent_in
from inventory.api.rows import SIGN_COLUMNS, reasons_out, sign_out, solvent_ref
from inventory.api.rows_bench import TEST_COLUMNS, test_out
from inventory.api.rows_verdicts import verdicts_now
from inventory.api.shapes import SignShape
from inventory.api.shapes_bench import TestShape
from inventory.api.shapes_verdicts import DueItemShape, TestMadeShape
from inventory.models import Container, Observation, PeroxideTest
from inventory.rules.advice import Told
from inventory.rules.errors import InputError
from inventory.rules.peroxide import METHODS, NOT_STATED
from inventory.selectors.due import RANK_WORDS, due_containers, today_in
from inventory.services import safety
from inventory.services.due_telling import told_of
from inventory.services.titrations import test_by_titration
from inventory.services.withdrawals import sign_withdraw, test_withdraw

NEWEST = orderings(id=Key("id", "int"))


class TestMake(Body):
    """A result as read: a number in mg/L, "<1", ">25", "5-10", "neg", "trace"."""

    reading = TextField(max_length=60, required=False, help_text="Or else a titration.")
    titration = BenchTitration(required=False)
    method = serializers.ChoiceField(
        list(METHODS), required=False, help_text="Left out: that of the reagent, or not stated."
    )
    reagent = RefField(required=False, help_text="Id of the strips or the solution used.")
    tested_on = DayField(allow_null=True, required=False, help_text="Left out: today. null: not known.")
    note = NoteField()


class ContainerTests(BenchView):
    """Tests made on a container."""

    contracts = {
        "GET": Contract(
            "safety.read", TestShape, "Tests of a container", params=params.paging(NEWEST), paged=True
        ),
        "POST": Contract("safety.test", TestMadeShape, "Record a test", body=TestMake, status=201),
    }

    def get(self, request: Any, lab: str, container: str) -> HttpResponse:
        given = self.query
        rows = PeroxideTest.objects.filter(container=container_at(self.caller, container))
        keys = NEWEST[given.get("ordering", "-id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=TEST_COLUMNS, given=given, shape=test_out)
        )

    def act(self, container: Container, data: Any) -> Done:
        if ("reading" in data) == ("titration" in data):
            code = "given-twice" if "reading" in data else "missing"
            raise InputError("reading", code, "One result is wanted.", "Send a reading, or else a titration.")
        reagent = reagent_in(self.caller, data["reagent"]) if "reagent" in data else None
        told: dict[str, Any] = {
            "container": container,
            "reagent": reagent,
            "tested_on": data["tested_on"] if "tested_on" in data else today_in(self.caller.lab, self.now),
            "note": data.get("note", ""),
        }
        if "titration" in data:
            told |= {"titration": data["titration"], "method": data.get("method")}
            return self._made(test_by_titration(**self.by, **told).test.pk)
        method = data.get("method", NOT_STATED if reagent is None else reagent.method)
        made = safety.test_record(**self.by, **told, reading=data["reading"], method=method)
        return self._made(made.test.pk)

    def _made(self, pk: int) -> Done:
        """The test, and what now holds of the container that it was made on."""
        test = _test(pk)
        return Done({**test, "verdicts": verdicts_now(int(test["container"]["id"]), self.today)})


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
            words=f"States, worst first: {', '.join(RANK_WORDS)}. Level and advice come from the verdict; a "
            "sign, or what has it left alone, leads instead of the test date.",
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
        said = told_of([full[pk] for pk in wanted], today)
        body["results"] = [_due_item(full[pk], RANK_WORDS[rank], said[pk]) for pk, rank in body["results"]]
        return self.listing(body)


def _due_item(container: Container, state: str, said: Told) -> dict[str, Any]:
    due, lot, location = safety.due_of(container), container.lot, container.location
    instead = [{"code": r.code, "words": r.words, "source": r.source} for r in said.reasons]
    return {
        "container": {"id": str(container.pk), "code": container.code},
        "solvent": None if lot is None else solvent_ref(lot.solvent_id, lot.solvent.key, lot.solvent.name),
        "location": None if location is None else {"id": str(location.pk), "name": location.name},
        "volume": volume_out(container.volume_ul),
        "state": state,
        "level": said.level,
        "verdict": said.verdict,
        "advice": said.advice,
        "next_test_due_on": container.next_test_due,
        "days_overdue": said.days,
        "worst_sign": container.worst_sign,
        "code": said.code,
        "words": said.words,
        "reasons": instead or ([] if due is None else reasons_out(due)),
    }
