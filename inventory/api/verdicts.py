"""May this be done with this bottle today? And bottles that are set aside."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from django.http import HttpResponse

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.bench import BenchView
from inventory.api.fields import Body, NoteField
from inventory.api.idempotency import Done
from inventory.api.lookup import container_at
from inventory.api.rows import containers_now
from inventory.api.rows_verdicts import verdict_out
from inventory.api.shapes import ContainerNowShape
from inventory.api.shapes_verdicts import VerdictsShape
from inventory.models import Container, Lab
from inventory.rules.cautions import CAUTIONS
from inventory.rules.levels import USES, Use
from inventory.rules.verdict import Verdict
from inventory.services import quarantine
from inventory.services.due_telling import told_in
from inventory.services.facts import containers_with
from inventory.services.verdicts import verdicts_of


def verdicts_out(
    container: Container, lab: Lab, today: date, found: Mapping[Use, Verdict], use: Use | None
) -> dict[str, Any]:
    """The verdicts on a container, with whom to call."""
    return {
        "container": {"id": str(container.pk), "code": container.code},
        "on": today,
        "advice": told_in(found, container, today).advice,
        "verdicts": [verdict_out(v) for v in found.values() if use in (None, v.use)],
        "emergency": {"words": lab.emergency_text, "contact": lab.contact},
        "local_code": CAUTIONS["local-code"],
    }


class ContainerVerdicts(LabView):
    """One function answers here, on the pages, in the sweep and at the gate."""

    contracts = {
        "GET": Contract(
            "safety.read",
            VerdictsShape,
            "What may be done with a container today",
            params=(params.choice("use", USES, "Only this use."),),
            tagged=True,
            words="Every reason that bears on a use, worst first, with the fact it rests on and its source. "
            "A missing fact takes the worse case.",
        )
    }

    def get(self, request: Any, lab: str, container: str) -> HttpResponse:
        use = self.query.get("use")
        (found,) = containers_with([container_at(self.caller, container).pk])
        verdicts = verdicts_of(found, self.today)
        return self.detail(verdicts_out(found, self.caller.lab, self.today, verdicts, use))


class SettingAside(Body):
    reason = NoteField(max_length=300)


class ContainerQuarantines(BenchView):
    """Nothing is done with it until a supervisor lifts that."""

    contracts = {
        "POST": Contract(
            "safety.quarantine", ContainerNowShape, "Set a container aside", body=SettingAside, status=201
        )
    }

    def act(self, container: Container, data: Any) -> Done:
        quarantine.set_aside(**self.by, container=container, reason=data.get("reason", ""))
        return Done(containers_now([container.pk])[0])


class ContainerReleases(BenchView):
    """It is judged by its other facts again."""

    contracts = {
        "POST": Contract(
            "safety.loosen", ContainerNowShape, "Lift a quarantine", body=SettingAside, status=201
        )
    }

    def act(self, container: Container, data: Any) -> Done:
        quarantine.release(
            **self.by,
            container=container,
            reason=data.get("reason", ""),
            may_loosen=self.caller.may("safety.loosen"),
        )
        return Done(containers_now([container.pk])[0])
