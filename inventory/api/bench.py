"""What is done at the bench: volumes move, containers are opened and put away."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterable
from datetime import date
from typing import Any

from django.db.models import Q
from django.http import Http404, HttpResponse
from rest_framework import serializers

from inventory.access import entry_id
from inventory.api.base import Contract, LabView
from inventory.api.fields import AmountField, Body, DayField, InstantField, NoteField, RefField
from inventory.api.idempotency import Done
from inventory.api.lookup import container_at, container_in, location_in
from inventory.api.quantities import volume_out
from inventory.api.rows import containers_now, moved_against, spoken_against
from inventory.api.rows_verdicts import verdicts_now
from inventory.api.shapes import CountedShape, PostedShape
from inventory.api.shapes_storage import PutAwayShape
from inventory.api.shapes_verdicts import OpenedShape
from inventory.api.storing import Overriding, override_of, warnings_out
from inventory.models import Container, Movement
from inventory.services import reversal, volumes
from inventory.services.counting import Counted
from inventory.services.ledger import Posted
from inventory.services.moving import put_away
from inventory.services.opening import mark_opened
from inventory.services.volumes import BENCH_ENDS

BENCH_KINDS = [end.value for end in BENCH_ENDS]


def posted_out(posted: Posted | None, touched: Iterable[int], today: date) -> dict[str, Any]:
    """What was booked, each container touched as it stands now, and what speaks against drawing from it."""
    touched = list(touched)
    return {
        "entry": None if posted is None else str(posted.entry),
        "movements": [] if posted is None else [str(pk) for pk in posted.movement_ids],
        "containers": containers_now(touched),
        "verdicts": spoken_against(touched, today),
        "warnings": warnings_out(posted.warnings if posted else ()),
    }


class Draw(Body):
    """Solvent leaves a container. `to`: where it goes; inside a run, charge the run instead."""

    volume = AmountField()
    to = serializers.ChoiceField(BENCH_KINDS, required=False, help_text="Left out: unaccounted.")
    happened_at = InstantField(required=False)
    note = NoteField()


class PutBack(Overriding):
    """Unused solvent comes back. `from`: where it was booked to when it was drawn."""

    volume = AmountField()
    happened_at = InstantField(required=False)
    note = NoteField()

    def get_fields(self) -> dict[str, Any]:
        came = serializers.ChoiceField(BENCH_KINDS, required=False, help_text="Left out: unaccounted.")
        return {**super().get_fields(), "from": came}


class Pour(Overriding):
    """Into another container: all of it, or an amount."""

    into = RefField(help_text="Id or code of the other container.")
    volume = AmountField(required=False, help_text="Left out: all of it.")
    happened_at = InstantField(required=False)
    note = NoteField()


class Count(Body):
    """What was found; "0 mL" when it is empty."""

    volume = AmountField()
    happened_at = InstantField(required=False)


class Weigh(Body):
    """The gross weight, container and all; the tare is known here."""

    gross = AmountField(help_text='A mass, as "612.4 g", or an object with value, unit and instrument.')
    happened_at = InstantField(required=False)


class Opening(Body):
    """The day it was opened; null when nobody knows, which counts as the worst case."""

    opened_on = DayField(allow_null=True)
    reason = NoteField(max_length=500, help_text="Needed where the next test becomes later by it.")


class PutAway(Overriding):
    location = RefField(help_text="Id or name of a location.")


class Discard(Body):
    happened_at = InstantField(required=False)
    note = NoteField()


class Reversal(Body):
    reason = NoteField(max_length=500)


class BenchView(LabView):
    """A fact about one container, posted under its address."""

    def post(self, request: Any, lab: str, container: str) -> HttpResponse:
        found = container_at(self.caller, container)
        return self.write(lambda data: self.act(found, data))

    @abstractmethod
    def act(self, container: Container, data: Any) -> Done:
        """Book it, and say what was booked."""

    def moment(self, data: Any) -> dict[str, Any]:
        """The fields that most bodies share, as services take them."""
        return {name: data[name] for name in ("happened_at", "note") if name in data}


class Draws(BenchView):
    contracts = {"POST": Contract("stock.draw", PostedShape, "Draw from a container", body=Draw, status=201)}

    def act(self, container: Container, data: Any) -> Done:
        end = volumes.bench_end(self.caller.lab, data.get("to", "unaccounted"), field="to")
        posted = volumes.draw(
            **self.by, container=container, amount=data["volume"], destination=end, **self.moment(data)
        )
        return Done(posted_out(posted, [container.pk], self.today))


class PutBacks(BenchView):
    contracts = {
        "POST": Contract("stock.put-back", PostedShape, "Put unused solvent back", body=PutBack, status=201)
    }

    def act(self, container: Container, data: Any) -> Done:
        end = volumes.bench_end(self.caller.lab, data.get("from", "unaccounted"), field="from")
        posted = volumes.put_back(
            **self.by,
            container=container,
            amount=data["volume"],
            source=end,
            override=override_of(self.caller, data),
            **self.moment(data),
        )
        return Done(posted_out(posted, [container.pk], self.today))


class Pours(BenchView):
    contracts = {"POST": Contract("stock.pour", PostedShape, "Pour over", body=Pour, status=201)}

    def act(self, container: Container, data: Any) -> Done:
        into = container_in(self.caller, data["into"], "into")
        posted = volumes.pour(
            **self.by,
            source=container,
            into=into,
            amount=data.get("volume"),
            override=override_of(self.caller, data),
            **self.moment(data),
        )
        return Done(posted_out(posted, [container.pk, into.pk], self.today))


def counted_out(counted: Counted, container: Container, today: date) -> dict[str, Any]:
    """What was booked, the difference with the standard uncertainty of found and recorded together."""
    return {
        **posted_out(counted.posted, [container.pk], today),
        "difference": volume_out(counted.difference_ul, counted.u_difference_ul),
        "beyond_uncertainty": counted.beyond_uncertainty,
    }


class Counts(BenchView):
    contracts = {"POST": Contract("stock.count", CountedShape, "Count by volume", body=Count, status=201)}

    def act(self, container: Container, data: Any) -> Done:
        counted = volumes.count(**self.by, container=container, amount=data["volume"], **self.moment(data))
        return Done(counted_out(counted, container, self.today))


class Weighings(BenchView):
    contracts = {"POST": Contract("stock.count", CountedShape, "Count by weight", body=Weigh, status=201)}

    def act(self, container: Container, data: Any) -> Done:
        gross = data["gross"]
        counted = volumes.weigh(
            **self.by,
            container=container,
            gross={"value": gross} if isinstance(gross, str) else gross,
            **self.moment(data),
        )
        return Done(counted_out(counted, container, self.today))


class Openings(BenchView):
    contracts = {
        "POST": Contract(
            "stock.open",
            OpenedShape,
            "Note an opening",
            body=Opening,
            status=201,
            words="A day told for an opening that was not known needs `safety.loosen` too where it makes the "
            "next test later.",
        )
    }

    def act(self, container: Container, data: Any) -> Done:
        held = mark_opened(
            container=container,
            actor=self.caller.user,
            now=self.now,
            opened_on=data["opened_on"],
            may_loosen=self.caller.may("safety.loosen"),
            reason=data.get("reason", ""),
        )
        return Done({**containers_now([held.pk])[0], "verdicts": verdicts_now(held.pk, self.today)})


class PutAways(BenchView):
    contracts = {
        "POST": Contract(
            "stock.move",
            PutAwayShape,
            "Note where it stands",
            body=PutAway,
            status=201,
            words="What speaks against that place comes as a warning, or refuses it.",
        )
    }

    def act(self, container: Container, data: Any) -> Done:
        place = location_in(self.caller, data["location"])
        done = put_away(
            container=container,
            actor=self.caller.user,
            now=self.now,
            location=place,
            override=override_of(self.caller, data),
        )
        answer = {**containers_now([container.pk])[0], "warnings": warnings_out(done.warnings)}
        return Done({**answer, "verdicts": moved_against(container.pk, self.today)})


class Discards(BenchView):
    contracts = {
        "POST": Contract("stock.discard", PostedShape, "Hand over for disposal", body=Discard, status=201)
    }

    def act(self, container: Container, data: Any) -> Done:
        posted = volumes.discard(**self.by, container=container, **self.moment(data))
        return Done(posted_out(posted, [container.pk], self.today))


class EntryReversals(LabView):
    """What was booked together is booked back together."""

    contracts = {
        "POST": Contract("stock.reverse", PostedShape, "Reverse an entry", body=Reversal, status=201)
    }

    def post(self, request: Any, lab: str, entry: str) -> HttpResponse:
        found = entry_id(str(entry))
        booked = Movement.objects.filter(lab=self.caller.lab, entry=found)
        places = [p for pair in booked.values_list("source_id", "destination_id") for p in pair]
        if not places:
            raise Http404

        def work(data: Any) -> Done:
            may_loosen = self.caller.may("safety.loosen")
            reason = data.get("reason", "")
            posted = reversal.reverse(**self.by, entry=found, reason=reason, may_loosen=may_loosen)
            touched = Container.objects.filter(Q(place_id__in=places)).values_list("id", flat=True)
            return Done(posted_out(posted, touched, self.today))

        return self.write(work)
